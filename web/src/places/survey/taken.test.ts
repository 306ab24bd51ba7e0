import { expect, test, vi } from 'vitest';
import { moment } from '../../text';
import { takenAt } from './taken';

test('a survey was taken when the clock of the reader says', () => {
  vi.stubGlobal('navigator', { languages: ['en-GB'] });
  expect(takenAt('2026-03-01 09:30:00 UTC')).toBe(moment(Date.UTC(2026, 2, 1, 9, 30) / 1000));
  expect(takenAt('of another program')).toBe('of another program');
  vi.unstubAllGlobals();
});
