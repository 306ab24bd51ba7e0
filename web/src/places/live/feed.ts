/** Samples of the running recording, kept for as long as the page is open. */

import type { Frame } from '../../api/frame';
import type { RecordingJson } from '../../api/types';
import { titleOf } from '../../app/lists';
import { stream } from '../../app/state';
import type { Trace } from '../../trace/plot';
import { type Samples, Series } from '../../trace/series';
import { silentOf } from './silent';

const none = new Series(0);

export class LiveFeed {
  private number = 0;
  private series: Series[] = [];
  /** The newest time of any signal, and when it came, s of the page's clock. */
  private latest = 0;
  private ahead = Number.POSITIVE_INFINITY;
  /** When each signal was heard last, s of the page's clock. */
  private heard: number[] = [];
  /** Which recording is asked for the silent ones of, and from when on each signal of it is waited for. */
  private awaited = 0;
  private since: number[] = [];

  /** Takes in a frame; one of another recording begins anew. */
  take(frame: Frame): void {
    // After a lost connection the workbench tells all that it keeps once more, and one that was started anew counts its
    // recordings from one again: either way a signal goes back behind what it brought.
    const isBack = frame.blocks.some((block) => block.t[0]! < this.newest(block.signal));
    if (frame.feed !== this.number || isBack) {
      this.number = frame.feed;
      this.series = [];
      this.latest = 0;
      this.ahead = Number.POSITIVE_INFINITY;
      this.heard = [];
    }
    for (const block of frame.blocks) {
      this.at(block.signal).push(block.t, block.v);
      this.latest = Math.max(this.latest, block.t[block.t.length - 1] ?? 0);
    }
    const now = performance.now() / 1000;
    // What comes late, as to a page that was just opened, may be of a signal that fell silent long ago.
    for (const { signal } of frame.blocks) this.heard[signal] = now - (this.latest - this.newest(signal));
    // The least delay that was seen is how far our clock is ahead of the drive's.
    this.ahead = Math.min(this.ahead + 0.0005, now - this.latest);
  }

  private at(signal: number): Series {
    this.series[signal] ??= new Series();
    return this.series[signal]!;
  }

  private newest(signal: number): number {
    const { t, n } = this.at(signal);
    return n > 0 ? t[n - 1]! : Number.NEGATIVE_INFINITY;
  }

  /** What a signal of a recording brought so far: nothing while what is kept is still of another one. */
  samples(recording: RecordingJson, signal: number): Samples {
    return recording.feed === this.number ? this.at(signal) : none;
  }

  /** The present moment of the drive: goes on smoothly between samples, and stops when none come. */
  get now(): number {
    if (!Number.isFinite(this.ahead)) return 0;
    return Math.min(performance.now() / 1000 - this.ahead, this.latest + 0.25);
  }

  /** The present moment as it would be if samples still came. */
  get real(): number {
    return Number.isFinite(this.ahead) ? performance.now() / 1000 - this.ahead : 0;
  }

  /** Places of the signals of a recording that bring nothing now. */
  silent(recording: RecordingJson): number[] {
    const now = performance.now() / 1000;
    if (recording.feed !== this.awaited) {
      this.awaited = recording.feed;
      this.since = [];
    }
    for (const place of recording.signals.keys()) this.since[place] ??= now;
    const heard = recording.feed === this.number ? this.heard : [];
    return silentOf(recording.signals, (place) => heard[place] ?? this.since[place] ?? now, now);
  }

  get first(): number {
    return Math.min(
      ...this.series.filter(Boolean).map((one) => (one.n > 0 ? one.t[0]! : Number.POSITIVE_INFINITY)),
      this.now,
    );
  }

  traces(recording: RecordingJson): Trace[] {
    return recording.signals.map((planned, index) => ({
      id: planned.id,
      label: titleOf(planned.id),
      unit: planned.unit,
      index,
      samples: this.samples(recording, index),
    }));
  }
}

/** What came of the recording, whichever place watched it. */
export const feed = new LiveFeed();
stream.keep((frame) => feed.take(frame));
