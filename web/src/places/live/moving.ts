/** Whether the car moves faster than one walks: then nothing on the page may draw the driver's eyes. */

import type { RecordingJson } from '../../api/types';
import type { Samples } from '../../trace/series';

/** Graphs vanish above this, km/h, and come back below the other: a queue does not make them flicker. */
export const WALKING = { above: 7, below: 5 };

const SPEEDS = /^(vehicle\.speed$|wheel\.speed\.)/;
/** To km/h. */
const SCALES: Record<string, number> = { 'km/h': 1, 'm/s': 3.6, mph: 1.609344 };

/** The fastest of the speeds that are recorded now, km/h; null where none is, or none came yet. */
export function speedNow(recording: RecordingJson, samples: (signal: number) => Samples): number | null {
  const speeds = recording.signals.flatMap(({ id, unit, left_out }, signal) => {
    if (left_out) return [];
    const { n, v } = samples(signal);
    const scale = SCALES[unit];
    return SPEEDS.test(id) && scale && n > 0 ? [scale * v[n - 1]!] : [];
  });
  return speeds.length > 0 ? Math.max(...speeds) : null;
}

export function moves(speedKmh: number | null, before: boolean): boolean {
  if (speedKmh === null) return false;
  return before ? speedKmh > WALKING.below : speedKmh > WALKING.above;
}
