/** Which entries of a ledger hold as they stand. */

import type { Content, Entry } from '../../api/types';

/** Numbers of the entries that a later one corrects or withdraws; a withdrawn correction corrects nothing. */
export function corrected(entries: Entry[]): Set<number> {
  const now = new Map<number, Content | null>();
  // From the end, because only later entries say whether an entry still holds.
  for (const { number, content } of entries.toReversed()) {
    const says = now.has(number) ? now.get(number) : content;
    if (says?.kind === 'correction' && !now.has(says.of)) now.set(says.of, says.content);
  }
  return new Set(now.keys());
}
