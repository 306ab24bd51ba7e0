import { expect, test } from 'vitest';
import type { CaseShown } from '../../api/types';
import { cylinders, outcomes, seats } from './placement';

const shown = (placement: Record<string, number[]>, ...ids: string[]) =>
  ({
    placement,
    entries: [{ content: { kind: 'drive', summary: { signals: ids.map((id) => ({ id })) } } }],
  }) as unknown as CaseShown;

test('as many cylinders as were counted or moved', () => {
  expect(cylinders(shown({}))).toBe(4);
  expect(cylinders(shown({}, 'misfire.cylinder_6', 'engine.speed'))).toBe(6);
  expect(cylinders(shown({ coil: [1, 2, 3, 4, 5, 6, 7, 8] }))).toBe(8);
});

test('parts sit where they came from until they are moved', () => {
  const moved = shown({ coil: [4, 2, 3, 1] });
  expect(seats(moved, 'coil', 4)).toEqual([4, 2, 3, 1]);
  expect(seats(moved, 'plug', 4)).toEqual([1, 2, 3, 4]);
  expect(outcomes(moved, 4)).toEqual([
    { cylinder: 1, carries: ['coil 4'] },
    { cylinder: 4, carries: ['coil 1'] },
  ]);
});
