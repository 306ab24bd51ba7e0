/** Whether what must hold before a command does hold; the workbench decides, this shows it beforehand. */

import type { Need } from '../../api/types';

/** Age at which a value counts as unknown, s: as the workbench takes it. */
const FRESH = 2;

export interface Met {
  state: 'met' | 'unmet' | 'unknown';
  value: number | null;
}

export function met(need: Need, latest: { value: number; age: number } | null): Met {
  if (!latest || latest.age > FRESH || !Number.isFinite(latest.value))
    return { state: 'unknown', value: null };
  const holds =
    (need.min === null || latest.value >= need.min) && (need.max === null || latest.value <= need.max);
  return { state: holds ? 'met' : 'unmet', value: latest.value };
}
