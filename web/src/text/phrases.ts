/**
 * Looks up what the program says of its own, by its English; `crates/phrases` explains how, and does the same for the
 * report. Both are held to `crates/phrases/data/examples.json`.
 */

/** Parts of a text that are looked up before it is given up: texts come from cars and files too. */
const mostLookups = 2000;
/** Letters of the longest text that is looked up. */
const longest = 2000;

interface Pattern {
  /** What stands before, between and after the places: one more than those. */
  fixed: string[];
  /** Their names: nothing where a phrase stands, a star before its name where any words do. */
  places: string[];
  translation: string;
}

/** Every second part is the name of a place. */
const parts = (phrase: string) => phrase.split(/[{}]/);
const even = (_: string, at: number) => at % 2 === 0;
const odd = (_: string, at: number) => at % 2 === 1;
const weight = (pattern: Pattern) => pattern.fixed.join('').length;

export class Phrasebook {
  private readonly whole: Map<string, string>;
  /** The most words of their own first: they say most about what they are. */
  private readonly patterns: Pattern[];
  private readonly before = new Map<string, string | null>();

  constructor(
    phrases: Record<string, string>,
    private readonly decimalMark: string,
    private readonly contracted: [string, string][],
  ) {
    const all = Object.entries(phrases);
    this.whole = new Map(all.filter(([english]) => !english.includes('{')));
    this.patterns = all
      .filter(([english]) => english.includes('{'))
      .map(([english, translation]) => {
        const split = parts(english);
        return { fixed: split.filter(even), places: split.filter(odd), translation };
      })
      .sort((a, b) => weight(b) - weight(a) || (a.fixed < b.fixed ? -1 : 1));
  }

  /** The text in this language; null where not all of it is known. */
  said(text: string): string | null {
    const before = this.before.get(text);
    if (before !== undefined) return before;
    const said =
      text.length > longest ? null : new Lookup(this.whole, this.patterns, this.decimalMark).said(text);
    const drawn = said && this.contracted.reduce((all, [apart, as]) => all.replaceAll(apart, as), said);
    this.before.set(text, drawn);
    return drawn;
  }
}

/** One text on its way through the book. */
class Lookup {
  private left = mostLookups;
  private readonly known = new Map<string, string | null>();

  constructor(
    private readonly whole: Map<string, string>,
    private readonly patterns: Pattern[],
    private readonly decimalMark: string,
  ) {}

  said(text: string): string | null {
    const known = this.known.get(text);
    if (known !== undefined) return known;
    if (this.left === 0) return null;
    this.left -= 1;
    const said = this.lookUp(text);
    this.known.set(text, said);
    return said;
  }

  private lookUp(text: string): string | null {
    const translation = this.whole.get(text);
    if (translation !== undefined) return translation;
    if (/^[\d+\-.,:% ]*\d[\d+\-.,:% ]*$/.test(text)) return text.replaceAll('.', this.decimalMark);
    for (const pattern of this.patterns) {
      const values: string[] = [];
      const first = pattern.fixed[0] ?? '';
      if (
        text.startsWith(first) &&
        text.endsWith(pattern.fixed.at(-1) ?? '') &&
        this.fits(pattern, 0, text.slice(first.length), values)
      )
        return filled(pattern, values);
    }
    return this.sentences(text);
  }

  /** The text as two parts, the first of which ends a sentence. */
  private sentences(text: string): string | null {
    for (let at = text.indexOf('. '); at >= 0; at = text.indexOf('. ', at + 1)) {
      const first = this.said(text.slice(0, at + 1));
      const rest = first !== null ? this.said(text.slice(at + 2)) : null;
      if (rest !== null) return `${first} ${rest}`;
    }
    return null;
  }

  /** Whether `rest` fits the pattern from its place `k` on; `values` gets what the places hold. */
  private fits(pattern: Pattern, k: number, rest: string, values: string[]): boolean {
    const fixed = pattern.fixed[k + 1] ?? '';
    const isLast = k + 1 === pattern.places.length;
    for (
      let end = isLast ? rest.length - fixed.length : rest.indexOf(fixed);
      end >= 0;
      end = isLast ? -1 : rest.indexOf(fixed, end + 1)
    ) {
      const value = this.value(pattern.places[k] ?? '', rest.slice(0, end));
      if (value === null) continue;
      values.push(value);
      if (isLast || this.fits(pattern, k + 1, rest.slice(end + fixed.length), values)) return true;
      values.pop();
    }
    return false;
  }

  private value(place: string, text: string): string | null {
    if (text === '') return null;
    if (place === '') return this.said(text);
    return place.startsWith('*') || !/\s/.test(text) ? text : null;
  }
}

/** The translation with its values: those that are said in their order, the others by their names. */
function filled(pattern: Pattern, values: string[]): string {
  const said = values.filter((_, at) => pattern.places[at] === '');
  const named = new Map(pattern.places.map((name, at) => [name, values[at] ?? '']));
  return parts(pattern.translation)
    .map((part, at) => (at % 2 === 0 ? part : part === '' ? (said.shift() ?? '') : (named.get(part) ?? '')))
    .join('');
}
