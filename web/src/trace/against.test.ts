import { expect, test } from 'vitest';
import { against } from './against';

const samples = (...pairs: [number, number][]) => ({
  t: Float64Array.from(pairs, ([t]) => t),
  v: Float64Array.from(pairs, ([, v]) => v),
  n: pairs.length,
});

test('the first is read on the line between its samples, at the moments of the second', () => {
  const first = samples([0, 0], [1, 10], [2, 20]);
  const second = samples([0.5, 1], [1, 2], [1.75, 3], [2.5, 4]);
  expect(against(first, second, 0, 10)).toEqual([
    [5, 1],
    [10, 2],
    [17.5, 3],
  ]);
  expect(against(first, second, 0.6, 1.2)).toEqual([[10, 2]]);
});

test('a hole is not bridged', () => {
  expect(against(samples([0, 0], [9, 9]), samples([4, 1]), 0, 10)).toEqual([]);
});
