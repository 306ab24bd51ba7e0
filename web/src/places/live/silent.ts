/** Which signals of a recording bring nothing: pure arithmetic, no page. */

import type { PlannedSignal } from '../../api/types';

/** A signal that brought nothing for this long is named, s; one that is asked for more seldom is given three of its turns. */
const SILENT = 3;

/**
 * Places of the signals that fell silent, or never brought anything: `heard` says when each was heard last, or from when
 * on somebody listens. One that is no longer recorded is not missed.
 */
export function silentOf(
  signals: readonly PlannedSignal[],
  heard: (place: number) => number,
  now: number,
): number[] {
  return signals.flatMap(({ left_out, per_second, every_s }, place) => {
    const turn = Math.max(every_s ?? 0, per_second > 0 ? 1 / per_second : 0);
    const isLate = now - heard(place) > Math.max(SILENT, 3 * turn);
    return isLate && !left_out ? [place] : [];
  });
}
