import { expect, test } from 'vitest';
import { language } from '../../text';
import { met, said } from './needs';

test('a condition holds within its limits, and not by a value that is old or missing', () => {
  const standing = { name: 'standing', signal: 'vehicle.speed', min: null, max: 0 };
  expect(met(standing, { value: 0, age: 0.1 })).toEqual({ state: 'met', value: 0 });
  expect(met(standing, { value: 1, age: 0.1 }).state).toBe('unmet');
  expect(met(standing, { value: 0, age: 2.5 })).toEqual({ state: 'unknown', value: null });
  expect(met(standing, null).state).toBe('unknown');
  const known = { name: 'within', signal: 'engine.speed', min: null, max: null };
  expect(met(known, { value: Number.NaN, age: 0 }).state).toBe('unknown');
  expect(met(known, { value: 0, age: 0 }).state).toBe('met');
});

test('a condition is said in the language of the reader', () => {
  const within = { name: 'within', signal: 'custom.oil', min: 0.5, max: 110 };
  expect(said({ name: 'engine-off', signal: 'engine.speed', min: null, max: 0 })).toBe(
    'The engine must be off',
  );
  expect(said(within)).toBe('oil must be 0.50 to 110');
  language.value = 'es';
  expect(said({ ...within, max: null })).toBe('oil: al menos 0,50');
  expect(said({ name: 'standing', signal: 'vehicle.speed', min: null, max: 0 })).toBe(
    'El coche debe estar parado',
  );
  language.value = 'en';
});
