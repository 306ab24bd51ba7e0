/** Samples of a drive as they are needed: the whole in a coarse picture, what is looked at in a fine one. */

import { readFrame } from '../api/frame';
import { getBytes } from '../api/http';
import type { Range } from './scale';
import type { Samples } from './series';

const empty: Samples = { t: new Float64Array(), v: new Float64Array(), n: 0 };

/** How long a look must rest before a finer picture of it is asked for, ms. */
const REST = 40;

interface Picture {
  range: Range;
  /** Seconds per column. */
  grain: number;
  bySignal: Map<number, Samples>;
}

export class DriveData {
  private coarse: Picture | null = null;
  private fine: Picture | null = null;
  private wanted: number[] = [];
  private timer: ReturnType<typeof setTimeout> | undefined;
  private asked: AbortController | null = null;
  /** The signals that the coarse picture is of. */
  private had: number[] | null = null;
  private looked: { view: Range; width: number } | null = null;
  private readonly id: string;
  private readonly whole: Range;
  private readonly changed: () => void;

  constructor(id: string, whole: Range, changed: () => void) {
    this.id = id;
    this.whole = whole;
    this.changed = changed;
  }

  samples(signal: number): Samples {
    return this.fine?.bySignal.get(signal) ?? this.coarse?.bySignal.get(signal) ?? empty;
  }

  coarseSamples(signal: number): Samples {
    return this.coarse?.bySignal.get(signal) ?? empty;
  }

  /** Whether the signals that were chosen last are not there: not yet, or they could not be asked for. */
  get isMissing(): boolean {
    return this.had !== this.wanted;
  }

  /** The stretch that the samples of a signal hold all of. */
  reach(signal: number): Range {
    return this.fine?.bySignal.has(signal) ? this.fine.range : this.whole;
  }

  /** These signals (places in the drive) are shown from now on. */
  async choose(signals: number[], width: number): Promise<void> {
    this.wanted = signals;
    this.drop();
    const columns = Math.max(600, Math.round(width));
    const coarse = await this.fetch(this.whole, columns, new AbortController().signal);
    // Whoever chose others meanwhile gets those.
    if (this.wanted !== signals) return;
    this.drop();
    [this.coarse, this.fine, this.had] = [coarse, null, signals];
    this.changed();
    if (this.looked) this.look(this.looked.view, this.looked.width);
  }

  /** Sees to it that this stretch can be drawn `width` pixels wide. */
  look(wanted: Range, width: number): void {
    this.looked = { view: wanted, width };
    const grain = (wanted.to - wanted.from) / width;
    // A drive that is laid over another ends elsewhere.
    const view = { from: Math.max(wanted.from, this.whole.from), to: Math.min(wanted.to, this.whole.to) };
    const have = this.fine ?? this.coarse;
    const covers = (picture: Picture | null) =>
      picture !== null &&
      picture.range.from <= view.from &&
      picture.range.to >= view.to &&
      picture.grain <= 1.6 * grain;
    // A look that is over would take the place of what is there for this one.
    if (covers(this.fine) || covers(this.coarse)) {
      this.drop();
      return;
    }
    if (!have || view.to <= view.from) return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => void this.refine(view, (view.to - view.from) / grain), REST);
  }

  /** Asks for nothing finer any more. */
  private drop(): void {
    clearTimeout(this.timer);
    this.asked?.abort();
  }

  /** One signal of the whole drive, in at least this many columns. */
  async wholeOf(signal: number, columns: number): Promise<Samples> {
    const picture = await this.fetch(this.whole, columns, new AbortController().signal, [signal]);
    return picture.bySignal.get(signal) ?? empty;
  }

  private async refine(view: Range, width: number): Promise<void> {
    const span = view.to - view.from;
    const range = {
      from: Math.max(this.whole.from, view.from - span),
      to: Math.min(this.whole.to, view.to + span),
    };
    this.asked?.abort();
    this.asked = new AbortController();
    try {
      this.fine = await this.fetch(
        range,
        Math.round(((range.to - range.from) / span) * width),
        this.asked.signal,
      );
      this.changed();
    } catch {
      // A newer look took its place, or the workbench is away: the coarse picture stays.
    }
  }

  private async fetch(
    range: Range,
    columns: number,
    signal: AbortSignal,
    signals = this.wanted,
  ): Promise<Picture> {
    const query = `from_s=${range.from}&to_s=${range.to}&columns=${columns}&signals=${signals.join(',')}`;
    const frame = readFrame(await getBytes(`/drives/${encodeURIComponent(this.id)}/trace?${query}`, signal));
    const bySignal = new Map<number, Samples>();
    for (const block of frame.blocks)
      bySignal.set(block.signal, { t: block.t, v: block.v, n: block.t.length });
    // Where nothing was thinned the picture is as fine as the drive itself.
    const isWhole = frame.blocks.every((block) => !block.thinned);
    return { range, grain: isWhole ? 0 : (range.to - range.from) / columns, bySignal };
  }
}
