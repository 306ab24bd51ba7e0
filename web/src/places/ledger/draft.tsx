/** What somebody is writing for a case: it stays that case's whatever is opened meanwhile, and is kept until it is sent. */

import { signal } from '@preact/signals';
import { openNumber } from '../../app/lists';
import { t } from '../../text';

/** A note, and the case that was open when its first letter was written. */
export const note = signal<{ text: string; of: number | undefined }>({ text: '', of: undefined });
export function writeNote(text: string): void {
  note.value = { text, of: note.value.text === '' ? openNumber() : note.value.of };
}

/** A picture with what it shows, and the case that was open when it was taken. */
export const photo = signal<{ file: File; text: string; of: number | undefined } | null>(null);

/** Says so where what is written here goes into another case than the one that is shown. */
export function Elsewhere({ of }: { of: number | undefined }) {
  if (of === undefined || of === openNumber()) return null;
  return <p class="trouble small wide">{t('begun_elsewhere', { n: of })}</p>;
}
