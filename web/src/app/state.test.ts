import { afterEach, expect, test, vi } from 'vitest';
import { join, needsCode, session, start } from './state';

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
