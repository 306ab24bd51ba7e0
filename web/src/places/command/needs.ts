/** Whether what must hold before a command does hold; the workbench decides, this shows it beforehand. */

import type { Need } from '../../api/types';
import { signals, titleOf } from '../../app/lists';
import { type Key, number, t, unitShown } from '../../text';

/** Age at which a value counts as unknown, s: as the workbench takes it. */
const FRESH = 2;

/** A condition in the reader's language. */
export function said(need: Need): string {
  if (need.name !== 'within') return t(`condition_${need.name.replaceAll('-', '_')}` as Key);
  const unit = unitShown(signals.value.find((one) => one.id === need.signal)?.unit);
  const end = (value: number | null) =>
    value === null ? '' : `${number(value, Number.isInteger(value) ? 0 : 2)} ${unit}`.trimEnd();
  const [min, max, signal] = [end(need.min), end(need.max), titleOf(need.signal)];
  if (min && max) return t('condition_between', { signal, min, max });
  if (min) return t('condition_least', { signal, min });
  return max ? t('condition_most', { signal, max }) : t('condition_known', { signal });
}

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
