import { expect, test, vi } from 'vitest';
import { address, codeOf, parse, spanHash, spanOf, startRouter, where } from './router';

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

test('a link to a stretch of a drive is one step back, and a drive that is open shows it', () => {
  const handlers: Record<string, (event: object) => void> = {};
  const [steps, told]: [string[], string[]] = [[], []];
  vi.stubGlobal('location', { pathname: '/live', hash: '' });
  vi.stubGlobal('history', { pushState: (_: null, __: string, to: string) => steps.push(to) });
  vi.stubGlobal('HashChangeEvent', Event);
  vi.stubGlobal('window', {
    addEventListener: (name: string, handler: () => void) => {
      handlers[name] = handler;
    },
    dispatchEvent: (event: Event) => told.push(event.type),
  });
  startRouter();
  const link = { getAttribute: (name: string) => (name === 'href' ? '/review/a#1.000-2.000' : null) };
  const target = { closest: () => ({ ...link, hasAttribute: () => false }) };
  handlers.click!({ target, preventDefault: () => {} });
  expect([steps, told]).toEqual([['/review/a#1.000-2.000'], ['hashchange']]);
  expect(where.value).toEqual({ place: 'review', what: 'a' });
  vi.unstubAllGlobals();
});
