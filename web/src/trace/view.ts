/** Which stretch of time is looked at. Pure functions: each returns a new range inside the whole. */

import type { Range } from './scale';

/** The closest look: ten milliseconds. */
const CLOSEST = 0.01;

export function clamp(view: Range, whole: Range): Range {
  const span = Math.min(Math.max(view.to - view.from, CLOSEST), Math.max(whole.to - whole.from, CLOSEST));
  const from = Math.min(Math.max(view.from, whole.from), Math.max(whole.from, whole.to - span));
  return { from, to: from + span };
}

/** Closer (`factor` < 1) or farther, with the moment `at` staying where it is. */
export function zoom(view: Range, whole: Range, at: number, factor: number): Range {
  const span = (view.to - view.from) * factor;
  const limited = Math.min(Math.max(span, CLOSEST), Math.max(whole.to - whole.from, CLOSEST));
  const share = (at - view.from) / (view.to - view.from || 1);
  return clamp({ from: at - share * limited, to: at + (1 - share) * limited }, whole);
}

export function pan(view: Range, whole: Range, by: number): Range {
  return clamp({ from: view.from + by, to: view.to + by }, whole);
}

/** Two fingers that were on `a` and `b` (moments) now are at the shares `x` and `y` of the width. */
export function pinch(whole: Range, a: number, b: number, x: number, y: number): Range {
  if (Math.abs(y - x) < 0.01) return clamp({ from: Math.min(a, b), to: Math.max(a, b) }, whole);
  const span = (b - a) / (y - x);
  return span > 0 ? clamp({ from: a - x * span, to: a - x * span + span }, whole) : whole;
}

/** A stretch with room around it. */
export function around(span: Range, whole: Range): Range {
  const room = Math.max((span.to - span.from) * 0.75, 1.5);
  return clamp({ from: span.from - room, to: span.to + room }, whole);
}
