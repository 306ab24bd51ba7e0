import { expect, test } from 'vitest';
import type { Proof } from '../../api/types';
import { Collector, type Goal, goalsOf, isWithin } from './condition';

const bounds = [
  { signal: 'engine.speed', unit: 'rpm', from: 3000, to: 3750 },
  { signal: 'engine.load', unit: '%', from: 50, to: null },
];
const goal = { bounds, needed_s: 10, collected_s: 4, fault: { kind: 'misfire' } } as Goal;
const take = (collector: Collector, signal: string, ...pairs: [number, number][]) =>
  collector.take(
    signal,
    Float64Array.from(pairs, ([t]) => t),
    Float64Array.from(pairs, ([, v]) => v),
  );

test('ends belong to one side only, and an open end to neither', () => {
  expect(isWithin(3000, bounds[0]!)).toBe(true);
  expect(isWithin(3750, bounds[0]!)).toBe(false);
  expect(isWithin(1e9, bounds[1]!)).toBe(true);
  expect(isWithin(49.9, bounds[1]!)).toBe(false);
});

test('seconds count while all bounds hold, and every change is told once', () => {
  const collector = new Collector(goal);
  expect(collector.missing).toEqual(['engine.speed', 'engine.load']);
  expect(take(collector, 'engine.load', [0, 60])).toEqual([]);
  expect(take(collector, 'engine.speed', [0.5, 2900], [1, 3100])).toEqual(['reached']);
  expect(take(collector, 'engine.load', [2, 70], [3, 40])).toEqual(['left']);
  expect(collector.seconds).toBeCloseTo(2, 9);
  expect(take(collector, 'engine.speed', [4, 3100])).toEqual([]);
  expect(collector.seconds).toBeCloseTo(2, 9);
  expect(collector.missing).toEqual([]);
});

test('what came of several signals at once counts as if it had come one after the other', () => {
  const samples = (...pairs: [number, number][]) => ({
    t: Float64Array.from(pairs, ([t]) => t),
    v: Float64Array.from(pairs, ([, v]) => v),
    n: pairs.length,
  });
  const collector = new Collector(goal);
  const speed = samples([0.5, 3100], [1.5, 3100], [2.5, 3100], [3.5, 2000], [4.5, 3100], [5.5, 3100]);
  const load = samples([0, 60], [1, 60], [2, 60], [3, 60], [4, 60], [5, 60]);
  const other = samples([100, 1]);
  const told = collector.takeAll([
    { signal: 'engine.speed', samples: speed },
    { signal: 'engine.load', samples: load },
    { signal: 'coolant.temperature', samples: other },
  ]);
  expect(told).toEqual(['reached', 'left', 'reached']);
  expect(collector.seconds).toBeCloseTo(4, 9);
});

test('a hole in the samples does not count', () => {
  const collector = new Collector(goal);
  take(collector, 'engine.load', [0, 60]);
  take(collector, 'engine.speed', [0.1, 3100]);
  take(collector, 'engine.speed', [60, 3100]);
  expect(collector.seconds).toBe(0);
  expect(collector.inside).toBe(false);
});

test('enough is told once, and not more is asked for', () => {
  const collector = new Collector(goal);
  take(collector, 'engine.load', [0, 60]);
  take(collector, 'engine.speed', [0, 3100]);
  const cues: string[] = [];
  for (let t = 0.5; t <= 8; t += 0.5) {
    cues.push(...take(collector, 'engine.load', [t, 60]), ...take(collector, 'engine.speed', [t, 3100]));
  }
  expect(cues.filter((cue) => cue === 'enough')).toHaveLength(1);
  expect(collector.lacking_s).toBe(0);
});

test('what is proven or has no condition is no goal', () => {
  const fault = (more: object) => ({ kind: 'misfire', bounds, needed_s: 30, lacking_s: 20, ...more });
  const proof = {
    faults: [fault({}), fault({ lacking_s: 0 }), fault({ bounds: [] }), fault({ needed_s: null })],
  } as unknown as Proof;
  expect(goalsOf(proof).map((one) => one.collected_s)).toEqual([10]);
  expect(goalsOf(null)).toEqual([]);
});
