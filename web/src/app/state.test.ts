import { afterEach, expect, test, vi } from 'vitest';
import { Failed } from '../api/http';
import type { Stage, StateJson } from '../api/types';
import { t } from '../text';
import { join, needsCode, opened, session, start, take, tried, trouble } from './state';

afterEach(() => vi.unstubAllGlobals());

test('a page that joins while it still asks who it is is not asked for a code again', async () => {
  const open: { path: string; answer: (status: number, body: object) => void }[] = [];
  vi.stubGlobal('WebSocket', class {});
  vi.stubGlobal('location', { protocol: 'http:', host: 'bench' });
  vi.stubGlobal(
    'fetch',
    (path: string) =>
      new Promise((done) => {
        const answer = (status: number, body: object) => done(new Response(JSON.stringify(body), { status }));
        open.push({ path, answer });
      }),
  );
  const asked = start(false);
  open[0]!.answer(401, { message: 'this page has not joined the workbench', hints: [] });
  await asked;
  expect(needsCode.value).toBe(true);
  // Asked once more by a stream that was refused, and answered after the code was taken.
  const again = start(false);
  const joining = join('ABCDEFGH', 'phone');
  open[2]!.answer(200, { id: 2 });
  await joining;
  open[1]!.answer(401, { message: 'this page has not joined the workbench', hints: [] });
  await again;
  expect([needsCode.value, session.value?.id]).toEqual([false, 2]);
});

const message = () => trouble.value?.message;
const told = (stage: Stage, recording: object | null) => ({ car: { stage, recording } }) as StateJson;

test('a recording that the workbench died in is told of, one that ended meanwhile is not', () => {
  const after = (then: StateJson) => {
    trouble.value = null;
    opened(true);
    take(told('recording', { feed: 1 }));
    opened(false);
    opened(false);
    opened(true);
    take(then);
    const cut = message() === t('recording_cut');
    // It is told of once.
    trouble.value = null;
    take(then);
    expect(trouble.value).toBeNull();
    return cut;
  };
  expect(after(told('empty', null))).toBe(true);
  expect(after(told('ready', { feed: 1, drive: 'a' }))).toBe(false);
  expect(after(told('recording', { feed: 1 }))).toBe(false);
});

test('that the workbench was out of reach is over when it answers, and nothing else is', async () => {
  await tried(Promise.reject(new Failed(0, 'the workbench does not answer', [])));
  expect(trouble.value).not.toBeNull();
  opened(true);
  expect(trouble.value).toBeNull();
  await tried(Promise.reject(new Failed(409, 'no car is connected', [])));
  opened(true);
  expect(trouble.value?.message).toBe('no car is connected');
});
