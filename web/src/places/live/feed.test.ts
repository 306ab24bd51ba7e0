import { expect, test, vi } from 'vitest';
import type { RecordingJson } from '../../api/types';
import { LiveFeed } from './feed';

const frame = (feed: number, ...blocks: number[][]) => ({
  number: 1,
  feed,
  blocks: blocks.map((t, signal) => ({
    signal,
    thinned: false,
    t: Float64Array.from(t),
    v: Float64Array.from(t),
  })),
});
const recording = (feed: number) =>
  ({ feed, signals: [{ id: 'engine.speed', unit: 'rpm' }] }) as RecordingJson;
const times = (feed: LiveFeed, of: RecordingJson) => {
  const { t, n } = feed.samples(of, 0);
  return [...t.subarray(0, n)];
};

test('what is told once more after a lost connection does not stand there twice', () => {
  const feed = new LiveFeed();
  feed.take(frame(1, [0, 1, 2], [0, 1]));
  feed.take(frame(1, [3]));
  // From the beginning, as a page that has just come gets it; the second signal has brought nothing new.
  feed.take(frame(1, [0, 2, 4], [0, 1]));
  expect(times(feed, recording(1))).toEqual([0, 2, 4]);
  feed.take(frame(1, [5]));
  expect(times(feed, recording(1))).toEqual([0, 2, 4, 5]);
});

test('samples of the drive before are not shown as those of the one that begins', () => {
  const feed = new LiveFeed();
  feed.take(frame(1, [0, 1, 2]));
  expect(times(feed, recording(2))).toEqual([]);
  expect(feed.traces(recording(2))[0]!.samples.n).toBe(0);
  feed.take(frame(2, [0.5]));
  expect(times(feed, recording(2))).toEqual([0.5]);
});

test('a signal that brings nothing is silent, also to a page that hears of it late', () => {
  const [clock, feed] = [vi.spyOn(performance, 'now'), new LiveFeed()];
  const planned = { per_second: 10, every_s: null, left_out: false };
  const both = { feed: 1, signals: [planned, planned, { ...planned, left_out: true }] } as RecordingJson;
  const at = (s: number) => clock.mockReturnValue(s * 1000);
  at(50);
  expect(feed.silent(both)).toEqual([]);
  // From the beginning: the second one fell silent ten seconds ago.
  feed.take(frame(1, [0, 10, 20], [0, 10]));
  expect(feed.silent(both)).toEqual([1]);
  at(54);
  expect(feed.silent(both)).toEqual([0, 1]);
  feed.take(frame(1, [24], [24]));
  expect(feed.silent(both)).toEqual([]);
  // Of the next recording nothing is missed before there was time for it.
  expect(feed.silent({ ...both, feed: 2 })).toEqual([]);
  at(58);
  expect(feed.silent({ ...both, feed: 2 })).toEqual([0, 1]);
  clock.mockRestore();
});
