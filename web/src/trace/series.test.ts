import { expect, test } from 'vitest';
import { firstAt, nearest, Series } from './series';

const column = (...values: number[]) => Float64Array.from(values);

test('a series grows, and keeps the newest when it is full', () => {
  const series = new Series(2048);
  for (let k = 0; k < 5000; k += 10) {
    const t = Float64Array.from({ length: 10 }, (_, i) => k + i);
    series.push(t, t);
  }
  expect(series.n).toBeLessThanOrEqual(2048);
  expect(series.n).toBeGreaterThan(900);
  expect(series.t[series.n - 1]).toBe(4999);
  for (let k = 1; k < series.n; k += 1) expect(series.t[k]! - series.t[k - 1]!).toBe(1);
});

test('moments are found', () => {
  const series = new Series();
  expect(nearest(series, 1)).toBeNull();
  series.push(column(1, 2, 4), column(10, 20, 40));
  expect([0, 1, 1.5, 4, 9].map((t) => firstAt(series, t))).toEqual([0, 0, 1, 2, 3]);
  expect(nearest(series, 2.9)).toEqual({ t: 2, v: 20 });
  expect(nearest(series, 3.1)).toEqual({ t: 4, v: 40 });
  expect(nearest(series, 99)).toEqual({ t: 4, v: 40 });
});
