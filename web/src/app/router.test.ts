import { expect, test } from 'vitest';
import { address, codeOf, parse, spanHash, spanOf } from './router';

test('a stretch of a drive is named in the address and read again', () => {
  expect(spanOf(spanHash(12.5, 20))).toEqual({ from: 12.5, to: 20 });
  expect(spanOf('#12')).toBeNull();
  expect(spanOf('')).toBeNull();
});

test('an address says the place and what of it', () => {
  expect(parse('/')).toEqual({ place: 'start', what: null });
  expect(parse('/live')).toEqual({ place: 'live', what: null });
  expect(parse('/nowhere')).toEqual({ place: 'start', what: null });
  for (const what of ['a/b', 'drive 1.mcap', 'ñ?#'])
    expect(parse(address('review', what))).toEqual({ place: 'review', what });
  expect(parse('/review/100%')).toEqual({ place: 'review', what: '100%' });
});

test('a pairing code is what an invitation holds, not a stretch of a drive', () => {
  expect(codeOf({ pathname: '/join', hash: '#ABCDEFGH' })).toBe('ABCDEFGH');
  expect(codeOf({ pathname: '/review/a', hash: '#1.000-2.000' })).toBeNull();
});
