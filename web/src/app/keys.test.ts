import { expect, test, vi } from 'vitest';
import { bind, isOwnKey, startKeys } from './keys';

/** An element that has what is named, as a selector would say it. */
const focused = (...is: string[]) => ({
  closest: (what: string) => (what.split(/, (?![^(]*\))/).some((one) => is.includes(one)) ? {} : null),
});

// A control has to be worked by the keyboard alone (WCAG 2.2, 2.1.1).
test('space bar and Enter work what has the focus, and are keys of the place elsewhere', () => {
  for (const key of [' ', 'Enter']) {
    expect(isOwnKey(focused('button'), key)).toBe(true);
    expect(isOwnKey(focused('summary'), key)).toBe(true);
    expect(isOwnKey(focused(), key)).toBe(false);
    expect(isOwnKey(null, key)).toBe(false);
  }
  // The link that led here keeps the focus; the space bar works no link.
  expect(isOwnKey(focused('a[href]:not([aria-current])'), 'Enter')).toBe(true);
  expect(isOwnKey(focused('a[href]:not([aria-current])'), ' ')).toBe(false);
  expect(isOwnKey(focused('button'), 'm')).toBe(false);
});

test('a field takes all keys, a box that was ticked only those that tick it', () => {
  const field = focused('input', 'input:not([type=checkbox], [type=radio])');
  const box = focused('input');
  expect([isOwnKey(field, 'm'), isOwnKey(field, '1')]).toEqual([true, true]);
  expect([isOwnKey(box, 'm'), isOwnKey(box, ' ')]).toEqual([false, true]);
});

test('a key that is held acts once, and so does its capital', () => {
  let press = (_: object) => {};
  vi.stubGlobal('window', {
    addEventListener: (_: string, listener: typeof press) => {
      press = listener;
    },
  });
  startKeys();
  vi.unstubAllGlobals();
  let n = 0;
  const end = bind('m', () => {
    n += 1;
  });
  const event = (key: string, repeat = false) => ({ key, repeat, target: null, preventDefault: () => {} });
  press(event('m'));
  press(event('m', true));
  press(event('M'));
  expect(n).toBe(2);
  end();
});
