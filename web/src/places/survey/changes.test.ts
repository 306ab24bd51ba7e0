import { expect, test } from 'vitest';
import type { Survey } from '../../api/types';
import { changes } from './changes';

const survey = (codes: Record<string, string[]>) =>
  ({
    modules: Object.entries(codes).map(([address, all]) => ({
      address,
      codes: all.map((code) => ({ code })),
    })),
  }) as unknown as Survey;

test('codes that came and went, by module', () => {
  const before = survey({ '7E8': ['P0301', 'P0171'], '7E9': [] });
  const now = survey({ '7E8': ['P0301'], '7E9': ['P0171'] });
  expect(changes(before, now)).toEqual({ came: ['P0171 (7E9)'], went: ['P0171 (7E8)'], once: [] });
  expect(changes(now, now)).toEqual({ came: [], went: [], once: [] });
});

test('a module that did not answer has not lost its codes', () => {
  const before = survey({ '7E8': ['P0301'], '7EA': ['C0037'] });
  const now = survey({ '7E8': ['P0301'], '7EB': ['B1000'] });
  expect(changes(before, now)).toEqual({ came: [], went: [], once: ['7EA', '7EB'] });
});
