import { expect, test } from 'vitest';
import { Bars, isDense, isInk, layColumns, layLine } from './line';

const of = (t: number[], v: number[]) => ({ t: Float64Array.from(t), v: Float64Array.from(v), n: t.length });
const plain = { zero: 0, per: 1 };

function laid(t: number[], v: number[], per: number) {
  const strokes: [string, number, number][] = [];
  const pen = {
    moveTo: (x: number, y: number) => strokes.push(['move', x, y]),
    lineTo: (x: number, y: number) => strokes.push(['line', x, y]),
  };
  layLine(pen, of(t, v), 0, t.length, { zero: 0, per }, plain);
  return strokes;
}

function bars(t: number[], v: number[], per: number) {
  const all: [number, number, number][] = [];
  const samples = of(t, v);
  layColumns((...bar) => all.push(bar), samples, 0, t.length, { zero: 0, per }, plain);
  return all;
}

test('few samples are joined one by one', () => {
  expect(laid([0, 1, 2], [5, 6, 7], 100)).toEqual([
    ['move', 0, 5],
    ['line', 100, 6],
    ['line', 200, 7],
  ]);
});

const broken = Array.from({ length: 40 }, (_, k) => k * 0.1 + (k >= 20 ? 500 : 0));

test('a hole breaks the line', () => {
  const strokes = laid(broken, new Array<number>(40).fill(1), 10);
  expect(strokes.filter(([kind]) => kind === 'move')).toHaveLength(2);
});

test('bars join their neighbours, but not across a hole', () => {
  expect(bars([0, 0.4, 1, 1.4], [1, 3, 7, 8], 1)).toEqual([
    [0, 1, 2],
    [1, 3, 5],
  ]);
  const over = bars(
    broken,
    broken.map((t) => (t > 400 ? 9 : 1)),
    0.1,
  );
  expect(over.every(([, , height]) => height === 0)).toBe(true);
});

test('of many in a column the single extreme is drawn, in one bar', () => {
  const v = Array.from({ length: 100_000 }, (_, k) => (k === 41_234 ? 99 : Math.sin(k)));
  const t = v.map((_, k) => k / 50);
  const all = bars(t, v, 0.5);
  expect(all.length).toBeLessThanOrEqual(1001);
  expect(all.some(([, top, height]) => top + height === 99)).toBe(true);
  expect(isDense(of(t, v), 0, t.length, { zero: 0, per: 0.5 })).toBe(true);
  expect(isDense(of(t, v), 0, t.length, { zero: 0, per: 500 })).toBe(false);
});

test('bars that are alike are drawn as one, and each column is drawn once', () => {
  const drawn: number[][] = [];
  const all = new Bars((...bar) => drawn.push(bar));
  for (const [column, top, height] of [
    [4, 10, 0],
    [5, 10.05, 0],
    [6, 10.1, 0.02],
    [7, 10, 3],
    [9, 10, 3],
  ] as const)
    all.bar(column, top, height);
  all.end();
  all.end();
  expect(drawn).toEqual([
    [4, 10, 3, 0],
    [7, 10, 1, 3],
    [9, 10, 1, 3],
  ]);
});

test('dashes repeat along the line', () => {
  const seen = Array.from({ length: 12 }, (_, k) => (isInk([3, 2], k) ? '#' : '.')).join('');
  expect(seen).toBe('###..###..##');
  expect(isInk([], 7)).toBe(true);
});
