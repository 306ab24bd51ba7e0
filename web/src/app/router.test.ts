import { expect, test } from 'vitest';
import { address, parse } from './router';

test('an address says the place and what of it', () => {
  expect(parse('/')).toEqual({ place: 'start', what: null });
  expect(parse('/live')).toEqual({ place: 'live', what: null });
  expect(parse('/nowhere')).toEqual({ place: 'start', what: null });
  for (const what of ['a/b', 'drive 1.mcap', 'ñ?#'])
    expect(parse(address('review', what))).toEqual({ place: 'review', what });
});
