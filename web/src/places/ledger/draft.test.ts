import { afterEach, expect, test, vi } from 'vitest';
import type { CaseShown } from '../../api/types';
import { enter, inCase, openCase } from '../../app/lists';
import { note, writeNote } from './draft';

afterEach(() => {
  openCase.value = null;
  vi.unstubAllGlobals();
});

const open = (number: number) => {
  openCase.value = { case: { number, uid: `${number}` }, entries: [] } as unknown as CaseShown;
};

test('a note goes into the case that it was begun in, whatever is opened meanwhile', async () => {
  const asked: string[] = [];
  vi.stubGlobal('fetch', async (path: string) => {
    asked.push(path);
    return new Response('null');
  });
  open(3);
  writeNote('h');
  open(4);
  writeNote('hose torn');
  const { text, of } = note.value;
  expect(await enter({ kind: 'note', text }, of)).toBe(true);
  // What is begun now belongs to the case that is open now.
  writeNote('');
  writeNote('lamp');
  expect(note.value).toEqual({ text: 'lamp', of: 4 });
  await enter({ kind: 'swap-undone', mistaken: true });
  openCase.value = null;
  await enter({ kind: 'note', text: 'without a case' });
  expect(asked).toEqual(['/api/case?case=3', '/api/case?case=4', '/api/case']);
  expect(inCase('/case/photo?text=hose', 3)).toBe('/case/photo?text=hose&case=3');
});
