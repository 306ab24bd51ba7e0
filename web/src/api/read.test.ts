import { expect, test } from 'vitest';
import { read } from './read';

test('a text from elsewhere does not turn a sentence round', () => {
  const turned = ['\u202A', '\u202B', '\u202C', '\u202D', '\u202E', '\u2066', '\u2067', '\u2068', '\u2069'];
  const sent = JSON.stringify({ name: `brake${turned.join('')}lamp`, letters: 'עברית\u200F, Ärmel', n: 1.5 });
  expect(read(sent)).toEqual({
    name: `brake${'\uFFFD'.repeat(9)}lamp`,
    letters: 'עברית\u200F, Ärmel',
    n: 1.5,
  });
  expect(() => read('{')).toThrow();
});
