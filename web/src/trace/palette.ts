/** Colours of traces: the eight of Okabe and Ito, as far as a background leaves them apart (3 : 1, WCAG 2.2, 1.4.11). */

import type { Theme } from '../app/theme';

/** In the order in which traces take them: sky blue, orange, bluish green, vermillion, reddish purple, blue, yellow. */
const palettes: Record<Theme, readonly string[]> = {
  night: ['#56b4e9', '#e69f00', '#009e73', '#e8743b', '#cc79a7', '#4d94d6', '#f0e442', '#ece8df'],
  // On white the light ones of the eight are taken darker, in the same hue.
  day: ['#2079b5', '#b06f00', '#00805d', '#c24e00', '#a94f82', '#00507f', '#80720a', '#16191b'],
  sun: ['#0b5f97', '#8a5600', '#00664a', '#993d00', '#86345f', '#003a5e', '#5f5500', '#000000'],
};

/** Line patterns, so that traces differ without colour when they share an axis. */
const dashes: readonly (readonly number[])[] = [
  [],
  [9, 4],
  [2, 3],
  [12, 3, 2, 3],
  [5, 2],
  [16, 5],
  [2, 6],
  [8, 2, 2, 2, 2, 2],
];

export function traceColour(theme: Theme, index: number): string {
  const palette = palettes[theme];
  return palette[index % palette.length]!;
}

export function traceDash(index: number): readonly number[] {
  return dashes[index % dashes.length]!;
}
