/** How long the failing condition has been driven: pure arithmetic over samples, no page. */

import type { Bounds, Proof, ProofOfFault } from '../../api/types';
import type { Samples } from '../../trace/series';

/** A value that is older than this says nothing of now, s. */
const STALE = 2;

/** What is to be driven, and how much of it is lacking. */
export interface Goal {
  /** The fault, as the proof names it. */
  fault: ProofOfFault;
  bounds: Bounds[];
  needed_s: number;
  /** Driven before this recording. */
  collected_s: number;
}

/** What the proof still lacks, for faults whose condition can be told from signals. */
export function goalsOf(proof: Proof | null): Goal[] {
  return (proof?.faults ?? []).flatMap((fault) => {
    const { bounds, needed_s, lacking_s } = fault;
    if (bounds.length === 0 || needed_s === null || lacking_s === null || lacking_s <= 0) return [];
    return [{ fault, bounds, needed_s, collected_s: Math.max(0, needed_s - lacking_s) }];
  });
}

export function isWithin(value: number, { from, to }: Bounds): boolean {
  return (from === null || value >= from) && (to === null || value < to);
}

/** What happened: it is reached, it is left, or enough is driven. */
export type Cue = 'reached' | 'left' | 'enough';

/** Follows the signals of one goal through a recording. */
export class Collector {
  readonly goal: Goal;
  /** Driven in this recording, s. */
  seconds = 0;
  inside = false;
  private readonly latest = new Map<string, { t: number; v: number }>();
  private now = Number.NEGATIVE_INFINITY;

  constructor(goal: Goal) {
    this.goal = goal;
  }

  /** Signals that are needed and were never seen. */
  get missing(): string[] {
    return this.goal.bounds.map((bound) => bound.signal).filter((signal) => !this.latest.has(signal));
  }

  get lacking_s(): number {
    return Math.max(0, this.goal.needed_s - this.goal.collected_s - this.seconds);
  }

  /** Takes what came of several signals together, in the order of time; returns what happened by it. */
  takeAll(all: readonly { signal: string; samples: Samples }[]): Cue[] {
    const own = all.filter(({ signal }) => this.goal.bounds.some((bound) => bound.signal === signal));
    const next = own.map(() => 0);
    const cues: Cue[] = [];
    for (;;) {
      let [first, least] = [-1, Number.POSITIVE_INFINITY];
      for (const [k, { samples }] of own.entries()) {
        if (next[k]! < samples.n && samples.t[next[k]!]! < least) [first, least] = [k, samples.t[next[k]!]!];
      }
      const one = own[first];
      if (!one) return cues;
      const at = next[first]!;
      next[first] = at + 1;
      cues.push(
        ...this.take(one.signal, one.samples.t.subarray(at, at + 1), one.samples.v.subarray(at, at + 1)),
      );
    }
  }

  /** Takes the samples of one signal; returns what happened by them. */
  take(signal: string, t: Float64Array, v: Float64Array): Cue[] {
    const cues: Cue[] = [];
    for (let k = 0; k < t.length; k += 1) {
      this.latest.set(signal, { t: t[k]!, v: v[k]! });
      if (t[k]! > this.now) this.moveOn(t[k]!, cues);
    }
    return cues;
  }

  private moveOn(t: number, cues: Cue[]): void {
    const before = this.lacking_s;
    // What held until now counts up to now, unless nobody knows what was in between.
    if (this.inside && t - this.now <= STALE) this.seconds += t - this.now;
    this.now = t;
    if (before > 0 && this.lacking_s === 0) cues.push('enough');
    const holds = this.goal.bounds.every((bound) => {
      const last = this.latest.get(bound.signal);
      return last !== undefined && t - last.t <= STALE && isWithin(last.v, bound);
    });
    if (holds !== this.inside) cues.push(holds ? 'reached' : 'left');
    this.inside = holds;
  }
}
