import type { Signal } from '../../api/types';
import { said } from '../../text/said';

/** Without accents, which nobody types to find something (Unicode Standard Annex 15: letters apart from their marks). */
const plain = (text: string) => text.normalize('NFD').replace(/\p{M}/gu, '').toLowerCase();

/** Signals in whose name, title, unit or module all wanted words occur; those whose title begins with the first come first. */
export function matches(signals: readonly Signal[], wanted: string): Signal[] {
  const words = plain(wanted).split(/\s+/).filter(Boolean);
  const text = (one: Signal) =>
    plain(`${said(one.title)} ${one.title} ${one.id} ${one.unit} ${one.modules.join(' ')}`);
  const hits = signals.filter((one) => words.every((word) => text(one).includes(word)));
  const first = words[0];
  if (!first) return hits;
  const begins = (one: Signal) => (plain(said(one.title)).startsWith(first) ? 0 : 1);
  return hits.sort((a, b) => begins(a) - begins(b));
}
