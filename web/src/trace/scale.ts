/** Ranges and strokes of axes: pure numbers, no canvas. */

import { digits as written } from '../text';

export interface Range {
  from: number;
  to: number;
}

/** A step of 1, 2 or 5 times a power of ten, such that about `n` of them cover `span`. */
export function niceStep(span: number, n: number): number {
  const rough = span / Math.max(n, 1);
  if (!(rough > 0) || !Number.isFinite(rough)) return 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  const lead = rough / power;
  return power * (lead < 1.5 ? 1 : lead < 3.5 ? 2 : lead < 7.5 ? 5 : 10);
}

/** Round values inside a range, about `n` of them. */
export function ticks(range: Range, n: number): number[] {
  const step = niceStep(range.to - range.from, n);
  const first = Math.ceil(range.from / step - 1e-9);
  const last = Math.floor(range.to / step + 1e-9);
  return Array.from({ length: Math.max(0, Math.min(last - first + 1, 200)) }, (_, k) => (first + k) * step);
}

const TIME_STEPS = [
  0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800,
  3600, 7200, 14400,
];

/** Times inside a range that a clock would show, at most `most` of them, and how many digits of a second they need. */
export function timeTicks(range: Range, most: number): { at: number[]; digits: number } {
  const span = range.to - range.from;
  const step =
    TIME_STEPS.find((step) => span / step <= most) ?? 14400 * Math.ceil(span / 14400 / Math.max(most, 1));
  const first = Math.ceil(range.from / step - 1e-9);
  const n = Math.max(0, Math.floor(range.to / step + 1e-9) - first + 1);
  const digits = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
  return { at: Array.from({ length: n }, (_, k) => (first + k) * step), digits };
}

/** A range with round ends that holds `low` to `high`, never empty. */
export function niceRange(low: number, high: number): Range {
  if (!(high >= low)) return { from: 0, to: 1 };
  const span = high - low;
  // A flat line still gets an axis that its own size suggests.
  const least = Math.max(Math.abs(high), Math.abs(low)) * 0.02 || 1;
  const pad = Math.max(span * 0.06, span < least ? (least - span) / 2 : 0);
  const step = niceStep(Math.max(span + 2 * pad, least), 4) / 2;
  return { from: Math.floor((low - pad) / step) * step, to: Math.ceil((high + pad) / step) * step };
}

/** The range to go on with: it grows at once, and shrinks only when most of it is empty, so that it does not flicker. */
export function steadyRange(before: Range | undefined, low: number, high: number): Range {
  const wanted = niceRange(low, high);
  if (!before || low < before.from || high > before.to) return wanted;
  return wanted.to - wanted.from < 0.55 * (before.to - before.from) ? wanted : before;
}

/** Digits behind the point that tell apart values on an axis with this step. */
export function digitsOf(step: number): number {
  return step > 0 && Number.isFinite(step)
    ? Math.min(6, Math.max(0, -Math.floor(Math.log10(step) + 1e-9)))
    : 0;
}

/** `value` with about four figures, as a display shows it. */
export function shown(value: number): string {
  if (!Number.isFinite(value)) return '–';
  const size = Math.abs(value);
  const digits = size >= 1000 ? 0 : size >= 100 ? 1 : size >= 10 ? 2 : 3;
  return written(value.toFixed(digits));
}
