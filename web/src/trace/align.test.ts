import { execFileSync } from 'node:child_process';
import { expect, test } from 'vitest';
import { bestShift, correlationAt, onGrid } from './align';

const nan = Number.NaN;
/** A road of slow and quick parts that no shift of itself resembles (sum of waves whose periods share no multiple). */
const road = (k: number) => 50 + 20 * Math.sin(k / 17) + 12 * Math.sin(k / 5.3 + 1) + 6 * Math.sin(k / 2.1);
const drive = (n: number, from: number) => Float64Array.from({ length: n }, (_, k) => road(k + from));

test('samples come onto the grid as means and straight lines', () => {
  const t = Float64Array.of(0.2, 0.8, 3.5, 4.1);
  const v = Float64Array.of(10, 20, 45, 5);
  expect([...onGrid({ t, v, n: 4 }, 1, 6)]).toEqual([15, 25, 35, 45, 5, nan]);
});

test('a worked example of the coefficient', () => {
  // By hand: means 2 and 4, sums of products 4, of squares 2 and 8.
  const made = correlationAt(Float64Array.of(9, 1, 2, 3), Float64Array.of(2, 4, 6), 1);
  expect(made.n).toBe(3);
  expect(made.r).toBeCloseTo(1, 12);
});

test('a drive that began later is found, whatever its level, and parts of a step', () => {
  const early = drive(400, 0);
  expect(
    bestShift(
      early,
      drive(300, 60).map((v) => 3 * v - 7),
    )?.steps,
  ).toBeCloseTo(60, 1);
  expect(bestShift(drive(300, 60), early)?.steps).toBeCloseTo(-60, 1);
  expect(bestShift(early, drive(300, 60.4))?.steps).toBeCloseTo(60.4, 1);
});

test('drives that have nothing to do with each other do not fit', () => {
  const ramp = Float64Array.from({ length: 300 }, (_, k) => (k * 7919) % 101);
  expect(bestShift(drive(400, 0), ramp)).toBeNull();
  expect(bestShift(drive(400, 0), new Float64Array(400).fill(30))).toBeNull();
  expect(bestShift(new Float64Array(0), new Float64Array(0))).toBeNull();
});

test('the same as numpy and scipy find', { timeout: 60_000 }, (context) => {
  const python = process.env.WITNESS_PYTHON;
  if (!python) return context.skip('WITNESS_PYTHON names no Python with numpy and scipy');
  const [a, b] = [drive(180, 0), drive(150, 41.3)];
  for (let k = 20; k < 30; k++) a[k] = nan;
  const program = `
import json, sys
import numpy as np
from scipy.stats import pearsonr
a, b = (np.array([np.nan if v is None else v for v in row]) for row in json.load(sys.stdin))
rows = []
for lag in range(-len(b), len(a) + 1):
    k = np.arange(max(0, lag), min(len(a), len(b) + lag))
    x, y = a[k], b[k - lag]
    both = ~(np.isnan(x) | np.isnan(y))
    if both.sum() >= 70:
        rows.append([lag, pearsonr(x[both], y[both]).statistic])
print(json.dumps(rows))`;
  const rows: [number, number][] = JSON.parse(
    execFileSync(python, ['-c', program], { input: JSON.stringify([[...a], [...b]]) }).toString(),
  );
  expect(rows.length).toBeGreaterThan(100);
  for (const [lag, r] of rows) expect(correlationAt(a, b, lag).r).toBeCloseTo(r, 9);
  const top = rows.reduce((best, row) => (row[1] > best[1] ? row : best));
  expect(Math.round(bestShift(a, b)?.steps ?? nan)).toBe(top[0]);
});

test('two signals that never change resemble each other at no shift', () => {
  const still = (value: number) => new Float64Array(400).fill(value);
  // Values whose sums are rounded: a hundred times a tenth is not ten (IEEE 754).
  for (const [a, b] of [
    [13.8, 14.1],
    [0.1, 0.3],
    [101.3, 99.9],
  ] as const) {
    expect(correlationAt(still(a), still(b), 3).r).toBe(0);
    expect(bestShift(still(a), still(b))).toBeNull();
  }
});
