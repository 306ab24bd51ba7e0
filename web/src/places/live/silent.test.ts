import { expect, test } from 'vitest';
import type { PlannedSignal } from '../../api/types';
import { silentOf } from './silent';

const planned = (more: object) =>
  ({ per_second: 10, every_s: null, left_out: false, ...more }) as PlannedSignal;
const signals = [
  planned({}),
  // What brought nothing while the rates were measured is asked for all the same.
  planned({ per_second: 0 }),
  planned({ per_second: 0, every_s: 10 }),
  planned({ per_second: 0, left_out: true }),
];

/** Somebody listens from second 100 on. */
const at = (heard: Map<number, number>) => (place: number) => heard.get(place) ?? 100;

test('a signal that fell silent is named, and one that never came', () => {
  const heard = new Map([
    [0, 106],
    [1, 100],
  ]);
  expect(silentOf(signals, at(heard), 102)).toEqual([]);
  expect(silentOf(signals, at(heard), 106)).toEqual([1]);
  expect(silentOf(signals, at(new Map([[1, 106]])), 106)).toEqual([0]);
});

test('one that is asked for every ten seconds has longer, and one that was left out is not missed', () => {
  const heard = new Map([
    [0, 130],
    [1, 130],
    [3, 90],
  ]);
  expect(silentOf(signals, at(heard), 129.9)).toEqual([]);
  expect(silentOf(signals, at(heard), 130.1)).toEqual([2]);
});
