import type { Signal } from '../../api/types';
import { said } from '../../text/said';

/** Signals in whose name, title, unit or module all wanted words occur; those whose title begins with the first come first. */
export function matches(signals: readonly Signal[], wanted: string): Signal[] {
  const words = wanted.toLowerCase().split(/\s+/).filter(Boolean);
  const text = (one: Signal) =>
    `${said(one.title)} ${one.title} ${one.id} ${one.unit} ${one.modules.join(' ')}`.toLowerCase();
  const hits = signals.filter((one) => words.every((word) => text(one).includes(word)));
  const first = words[0];
  if (!first) return hits;
  const begins = (one: Signal) => (one.title.toLowerCase().startsWith(first) ? 0 : 1);
  return hits.sort((a, b) => begins(a) - begins(b));
}
