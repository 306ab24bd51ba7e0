import { expect, test } from 'vitest';
import type { Content, Entry } from '../../api/types';
import { corrected } from './corrected';

test('a correction strikes an entry, unless it is withdrawn itself', () => {
  const note: Content = { kind: 'note', text: 'a' };
  const correct = (of: number, content: Content | null = null): Content => ({
    kind: 'correction',
    of,
    reason: '',
    content,
  });
  const struck = (...contents: Content[]) =>
    [...corrected(contents.map((content, idx) => ({ number: idx + 1, content }) as Entry))].sort();
  expect(struck(note, note)).toEqual([]);
  expect(struck(note, note, correct(1))).toEqual([1]);
  expect(struck(note, correct(1, note), correct(2))).toEqual([2]);
  expect(struck(note, note, correct(1), correct(3, correct(2)))).toEqual([2, 3]);
});
