import { expect, test } from 'vitest';
import { met } from './needs';

test('a condition holds within its limits, and not by a value that is old or missing', () => {
  const standing = { signal: 'vehicle.speed', min: null, max: 0 };
  expect(met(standing, { value: 0, age: 0.1 })).toEqual({ state: 'met', value: 0 });
  expect(met(standing, { value: 1, age: 0.1 }).state).toBe('unmet');
  expect(met(standing, { value: 0, age: 2.5 })).toEqual({ state: 'unknown', value: null });
  expect(met(standing, null).state).toBe('unknown');
  const known = { signal: 'engine.speed', min: null, max: null };
  expect(met(known, { value: Number.NaN, age: 0 }).state).toBe('unknown');
  expect(met(known, { value: 0, age: 0 }).state).toBe('met');
});
