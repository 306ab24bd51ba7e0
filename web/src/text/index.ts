/** Every word of the page, in the language of whoever reads it. One file per language; `en.json` says which there are. */

import { signal } from '@preact/signals';
import en from './en.json';
import es from './es.json';

export type Key = keyof typeof en;
type Texts = Record<Key, string>;

export const languages = { en: 'English', es: 'Español' } as const;
export type Language = keyof typeof languages;

// A language that lacks a text does not build.
const all: Record<Language, Texts> = { en, es };

/** The language that is shown. */
export const language = signal<Language>('en');

/** The text for a key; `{name}` in it is replaced by what is given under that name. */
export function t(key: Key, given: Record<string, string | number> = {}): string {
  return all[language.value][key].replace(/\{(\w+)\}/g, (whole, name: string) =>
    String(given[name] ?? whole),
  );
}

/** The same for a number of things: the text with `_one` at its key when there is one of them. */
export function count(key: Key, n: number, given: Record<string, string | number> = {}): string {
  const one = `${key}_one` as Key;
  const chosen = n === 1 && one in all[language.value] ? one : key;
  return t(chosen, { n: number(n), ...given });
}

/** The text for a word that a program says (a verdict, a state); the word itself if no text is kept for it. */
export function word(kind: string, said: string): string {
  const key = `${kind}_${said.replace(/[- ]/g, '_')}` as Key;
  return key in all[language.value] ? t(key) : said;
}

/** A number with at most this many digits behind the point, and its thousands apart. */
export function number(value: number, digits = 0): string {
  return value.toLocaleString(language.value, {
    maximumFractionDigits: digits,
    minimumFractionDigits: digits,
  });
}

/** What stands before the decimals. */
export const decimalMarks: Record<Language, string> = { en: '.', es: ',' };

/** A number that is written already, as the reader writes it. */
export function digits(written: string): string {
  return written.replace('-', '−').replace('.', decimalMarks[language.value]);
}

/** A moment of a drive: `4:07.3` or `1:04:07`. */
export function clock(seconds: number, digits = 1): string {
  const sign = seconds < 0 ? '−' : '';
  const scale = 10 ** digits;
  const all = Math.round(Math.abs(seconds) * scale);
  const whole = Math.floor(all / scale);
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const tail =
    digits > 0 ? `${decimalMarks[language.value]}${String(all % scale).padStart(digits, '0')}` : '';
  const two = (value: number) => String(value).padStart(2, '0');
  return h > 0 ? `${sign}${h}:${two(m)}:${two(s)}${tail}` : `${sign}${m}:${two(s)}${tail}`;
}

/** A moment of the calendar, in the reader's own way: where the language is one of the browser's, as its region writes it. */
export function moment(unixSeconds: number): string {
  const date = new Date(unixSeconds * 1000);
  const region = navigator.languages.find((one) => one.startsWith(language.value));
  return date.toLocaleString(region ?? language.value, { dateStyle: 'medium', timeStyle: 'short' });
}

/** Units that are named otherwise than they are written, as the report writes them. */
const written: Record<string, string> = { '1': '', count: '', degC: '°C', deg: '°', 'deg/s': '°/s' };

/** A unit as it is written behind a number: nothing for a plain ratio or count. */
export function unitShown(unit = ''): string {
  return written[unit] ?? unit;
}
