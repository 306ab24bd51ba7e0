import { expect, test } from 'vitest';
import { layLine } from './line';

function laid(t: number[], v: number[], per: number) {
  const strokes: [string, number, number][] = [];
  const pen = {
    moveTo: (x: number, y: number) => strokes.push(['move', x, y]),
    lineTo: (x: number, y: number) => strokes.push(['line', x, y]),
  };
  const samples = { t: Float64Array.from(t), v: Float64Array.from(v), n: t.length };
  layLine(pen, samples, 0, t.length, { zero: 0, per }, { zero: 0, per: 1 });
  return strokes;
}

test('few samples are joined one by one', () => {
  expect(laid([0, 1, 2], [5, 6, 7], 100)).toEqual([
    ['move', 0, 5],
    ['line', 100, 6],
    ['line', 200, 7],
  ]);
});

test('a hole breaks the line, dense or not', () => {
  const times = (n: number, step: number) =>
    Array.from({ length: n }, (_, k) => k * step + (k >= n / 2 ? 500 : 0));
  for (const per of [10, 0.01])
    expect(
      laid(times(40, 0.1), new Array<number>(40).fill(1), per).filter(([kind]) => kind === 'move'),
    ).toHaveLength(2);
});

test('of many in a column the single extreme is drawn, at no more than four strokes a column', () => {
  const n = 100_000;
  const v = Array.from({ length: n }, (_, k) => (k === 41_234 ? 99 : Math.sin(k)));
  const strokes = laid(
    v.map((_, k) => k / 50),
    v,
    0.5,
  );
  expect(strokes.length).toBeLessThanOrEqual(4 * 1001);
  expect(strokes.some(([, , y]) => y === 99)).toBe(true);
  expect(strokes.every(([, x], k) => k === 0 || x >= strokes[k - 1]![1])).toBe(true);
});
