/** Two signals against each other: what one reads whenever the other has a sample. */

import { firstAt, type Samples } from './series';

/** Most points that are drawn. */
const MOST = 3000;
/** Longest hole in the first signal that is bridged, s. */
const HOLE = 2;

/** Points (first, second) between two moments, the newest last; the first is taken on the line between its samples. */
export function against(first: Samples, second: Samples, from: number, to: number): [number, number][] {
  const [start, end] = [firstAt(second, from), firstAt(second, to)];
  const every = Math.max(1, Math.ceil((end - start) / MOST));
  const points: [number, number][] = [];
  for (let k = start; k < end; k += every) {
    const t = second.t[k]!;
    const after = firstAt(first, t);
    if (after >= first.n) break;
    if (first.t[after] === t) points.push([first.v[after]!, second.v[k]!]);
    else if (after > 0 && first.t[after]! - first.t[after - 1]! <= HOLE) {
      const share = (t - first.t[after - 1]!) / (first.t[after]! - first.t[after - 1]!);
      points.push([first.v[after - 1]! + share * (first.v[after]! - first.v[after - 1]!), second.v[k]!]);
    }
  }
  return points;
}
