import { expect, test } from 'vitest';
import { mileageOf } from './mileage';

// How thousands are set apart: point, comma and apostrophe by language, a space everywhere (SI Brochure, 9th edition, 5.4.4).
test('an odometer is read however its thousands are written', () => {
  for (const written of [
    '81000',
    '81.000',
    '81,000',
    '81 000',
    '81\u202f000',
    "81'000",
    ' 81000 km',
    '81.000 km',
  ])
    expect(mileageOf(written), written).toBe(81_000);
  expect([mileageOf('1.234.567'), mileageOf('81000.5'), mileageOf('950')]).toEqual([1_234_567, 81_000, 950]);
  expect([mileageOf(''), mileageOf('none'), mileageOf('0')]).toEqual([null, null, null]);
});
