import { expect, test } from 'vitest';
import { language } from '../../text';
import { learn } from '../../text/said';
import { matches } from './search';

const signal = (id: string, title: string, unit: string) => ({
  id,
  title,
  unit,
  vss: null,
  readable: true,
  modules: id.startsWith('wheel') ? ['brakes'] : ['engine'],
});
const all = [
  signal('wheel.speed.front_left', 'Wheel speed front left', 'km/h'),
  signal('engine.speed', 'Engine speed', 'rpm'),
  signal('vehicle.speed', 'Vehicle speed', 'km/h'),
];

test('all words must occur, in name, title or unit', () => {
  expect(matches(all, 'SPEED km/h').map((one) => one.id)).toEqual([
    'wheel.speed.front_left',
    'vehicle.speed',
  ]);
  expect(matches(all, 'engine.sp').map((one) => one.id)).toEqual(['engine.speed']);
  expect(matches(all, 'brakes').map((one) => one.id)).toEqual(['wheel.speed.front_left']);
  expect(matches(all, 'clutch')).toEqual([]);
  expect(matches(all, ' ')).toHaveLength(3);
});

test('titles that begin with the word come first', () => {
  expect(matches(all, 'vehicle')[0]?.id).toBe('vehicle.speed');
  expect(matches(all, 'e')[0]?.id).toBe('engine.speed');
});

test('in another language its own titles count, with accents or without', async () => {
  language.value = 'es';
  await learn('es');
  const known = [
    signal('vehicle.speed', 'vehicle speed', 'km/h'),
    signal('barometric.pressure', 'barometric pressure', 'kPa'),
    signal('engine.speed', 'engine speed', 'rpm'),
  ];
  expect(matches(known, 'presion').map((one) => one.id)).toEqual(['barometric.pressure']);
  expect(matches(known, 'presión').map((one) => one.id)).toEqual(['barometric.pressure']);
  // `régimen del motor` begins with it; `velocidad del vehículo` holds it.
  expect(matches(known, 'r')[0]?.id).toBe('engine.speed');
  language.value = 'en';
});
