import { expect, test } from 'vitest';
import { language } from '../text';
import { digitsOf, niceRange, niceStep, shown, steadyRange, ticks, timeTicks } from './scale';

test('steps are 1, 2 or 5 times a power of ten', () => {
  expect([niceStep(10, 5), niceStep(7, 5), niceStep(0.3, 5), niceStep(2300, 4)]).toEqual([2, 1, 0.05, 500]);
  expect([niceStep(0, 5), niceStep(Number.NaN, 5)]).toEqual([1, 1]);
});

test('ticks lie inside the range and on round values', () => {
  expect(ticks({ from: -0.4, to: 2.1 }, 5)).toEqual([0, 0.5, 1, 1.5, 2]);
  expect(ticks({ from: 5, to: 5 }, 5)).toEqual([5]);
});

test('times are those a clock would show', () => {
  expect(timeTicks({ from: 0, to: 100 }, 6)).toEqual({ at: [0, 30, 60, 90], digits: 0 });
  expect(timeTicks({ from: 10.02, to: 10.55 }, 6).at[0]).toBeCloseTo(10.1);
  expect(timeTicks({ from: 0, to: 30 * 3600 }, 5).at.length).toBeLessThanOrEqual(5);
});

test('a range holds what it is made for, also a flat line', () => {
  for (const [low, high] of [
    [0, 1],
    [13.79, 13.81],
    [-40, 215],
    [0, 0],
    [5000, 5000],
    [-1e-6, 1e-6],
  ] as const) {
    const range = niceRange(low, high);
    expect(range.from).toBeLessThanOrEqual(low);
    expect(range.to).toBeGreaterThanOrEqual(high);
    expect(range.to).toBeGreaterThan(range.from);
  }
  expect(niceRange(Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY)).toEqual({ from: 0, to: 1 });
});

test('a range grows at once and does not flicker', () => {
  const wide = niceRange(0, 100);
  expect(steadyRange(wide, 10, 80)).toBe(wide);
  expect(steadyRange(wide, 0, 150).to).toBeGreaterThanOrEqual(150);
  expect(steadyRange(wide, 40, 50).to).toBeLessThan(100);
});

test('digits and displayed values', () => {
  expect([digitsOf(0.05), digitsOf(0.5), digitsOf(20)]).toEqual([2, 1, 0]);
  expect([shown(2749.6), shown(13.8), shown(-0.25), shown(Number.NaN)]).toEqual([
    '2750',
    '13.80',
    '−0.250',
    '–',
  ]);
  // 1.023 would be read as a thousand and some; the report writes its numbers so too.
  language.value = 'es';
  expect([shown(1.023), shown(-0.25)]).toEqual(['1,023', '−0,250']);
  language.value = 'en';
});
