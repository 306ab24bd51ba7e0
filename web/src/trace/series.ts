/** Samples of one signal in order of time, in memory that grows by doubling and keeps the newest. */

/** What is drawn of a signal: the first `n` of both arrays. */
export interface Samples {
  t: Float64Array;
  v: Float64Array;
  n: number;
}

export class Series implements Samples {
  t = new Float64Array(1024);
  v = new Float64Array(1024);
  n = 0;
  private readonly most: number;

  constructor(most = 1 << 20) {
    this.most = most;
  }

  push(t: Float64Array, v: Float64Array): void {
    if (this.n + t.length > this.t.length) this.makeRoom(t.length);
    const room = Math.min(t.length, this.t.length - this.n);
    this.t.set(t.subarray(t.length - room), this.n);
    this.v.set(v.subarray(v.length - room), this.n);
    this.n += room;
  }

  private makeRoom(extra: number): void {
    // The older half goes when there is no more to be had.
    const dropped = this.n + extra > this.most ? Math.min(this.n, this.n >> 1) : 0;
    const size = Math.min(
      this.most,
      Math.max(this.t.length, 2 ** Math.ceil(Math.log2(this.n - dropped + extra))),
    );
    const [t, v] = [new Float64Array(size), new Float64Array(size)];
    t.set(this.t.subarray(dropped, this.n));
    v.set(this.v.subarray(dropped, this.n));
    [this.t, this.v, this.n] = [t, v, this.n - dropped];
  }
}

/** Index of the first sample at or after `t`. */
export function firstAt(samples: Samples, t: number): number {
  let [low, high] = [0, samples.n];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (samples.t[middle]! < t) low = middle + 1;
    else high = middle;
  }
  return low;
}

/** The sample nearest to a moment; `null` without samples. */
export function nearest(samples: Samples, t: number): { t: number; v: number } | null {
  if (samples.n === 0) return null;
  const after = Math.min(firstAt(samples, t), samples.n - 1);
  const before = Math.max(after - 1, 0);
  const idx = Math.abs(samples.t[before]! - t) <= Math.abs(samples.t[after]! - t) ? before : after;
  return { t: samples.t[idx]!, v: samples.v[idx]! };
}
