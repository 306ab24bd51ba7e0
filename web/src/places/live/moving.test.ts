import { expect, test } from 'vitest';
import type { RecordingJson } from '../../api/types';
import { moves, speedNow } from './moving';

const recording = (...signals: [string, string][]) =>
  ({ signals: signals.map(([id, unit]) => ({ id, unit })) }) as RecordingJson;
const last = (...values: number[]) => {
  const v = Float64Array.from(values);
  return { t: v, v, n: v.length };
};

test('the fastest of the recorded speeds counts, in km/h', () => {
  const all = [last(3000), last(1, 5), last(20)];
  const of = recording(['engine.speed', 'rpm'], ['vehicle.speed', 'm/s'], ['wheel.speed.rear_left', 'mph']);
  expect(speedNow(of, (k) => all[k]!)).toBeCloseTo(32.19, 2);
  expect(speedNow(recording(['engine.speed', 'rpm']), (k) => all[k]!)).toBeNull();
  expect(speedNow(recording(['vehicle.speed', 'km/h']), () => last())).toBeNull();
  // Its last value says nothing of now.
  const left = { signals: [{ id: 'vehicle.speed', unit: 'km/h', left_out: true }] } as RecordingJson;
  expect(speedNow(left, () => last(50))).toBeNull();
});

test('between the limits it stays as it was', () => {
  expect(moves(8, false)).toBe(true);
  expect(moves(6, false)).toBe(false);
  expect(moves(6, true)).toBe(true);
  expect(moves(4, true)).toBe(false);
  expect(moves(null, true)).toBe(false);
});
