/** What the program says of its own, in the language of whoever reads it; English where it is not known. */

import { effect, signal } from '@preact/signals';
import { decimalMarks, type Language, language } from './index';
import { Phrasebook } from './phrases';

type Load = () => Promise<Record<string, string>>;

/** Loaded when somebody reads the language: whoever does not need not wait for it. */
const files: Record<Exclude<Language, 'en'>, Record<string, Load>> = {
  es: import.meta.glob('../../../crates/phrases/data/es/*.json', { import: 'default' }) as Record<
    string,
    Load
  >,
};
const contracted: Record<Exclude<Language, 'en'>, [string, string][]> = {
  es: [
    [' de el ', ' del '],
    [' a el ', ' al '],
  ],
};

const books = signal<Partial<Record<Language, Phrasebook>>>({});

/** Gets the phrases of a language; English needs none. */
export async function learn(wanted: Language): Promise<void> {
  if (wanted === 'en' || books.value[wanted]) return;
  const loaded = await Promise.all(Object.values(files[wanted]).map((load) => load()));
  const book = new Phrasebook(Object.assign({}, ...loaded), decimalMarks[wanted], contracted[wanted]);
  books.value = { ...books.value, [wanted]: book };
}

/** Learns whatever language is chosen; without its phrases the program's own stay English. */
export function startSaying(): void {
  effect(() => void learn(language.value).catch(() => undefined));
}

/** A text that the program made, never one that somebody wrote. */
export function said(text: string): string {
  return books.value[language.value]?.said(text) ?? text;
}

/** A value of a survey in words: a number, a text, a switch, or a list of these. */
export function valueSaid(value: unknown): string {
  if (typeof value === 'number') return value.toLocaleString(language.value, { maximumFractionDigits: 3 });
  if (typeof value === 'boolean') return said(value ? 'on' : 'off');
  if (Array.isArray(value)) return value.map(valueSaid).join('; ');
  return value === null ? '–' : typeof value === 'string' ? said(value) : JSON.stringify(value);
}
