import { afterEach, expect, test, vi } from 'vitest';
import type { SessionJson, Signal, StateJson } from '../api/types';
import { cases, enter, named, openCase, searchCases, searched, signals, startLists, suspects } from './lists';
import { connected, session, state } from './state';

/** Questions that wait for their answer, the oldest first. */
let open: { path: string; answer: (value: unknown) => void }[] = [];

function begin(): void {
  open = [];
  vi.stubGlobal(
    'fetch',
    (path: string) =>
      new Promise((done) => {
        open.push({ path, answer: (value) => done(new Response(JSON.stringify(value))) });
      }),
  );
}

afterEach(() => vi.unstubAllGlobals());

async function answer(path: string, value: unknown): Promise<void> {
  const at = open.findIndex((one) => one.path === `/api${path}`);
  expect(at, path).toBeGreaterThanOrEqual(0);
  open.splice(at, 1)[0]!.answer(value);
  await new Promise((done) => setTimeout(done));
}

const asks = (path: string) => open.filter((one) => one.path === `/api${path}`).length;
const told = (ledger: number) => ({ car: { n_done: 0 }, ledger }) as StateJson;
const shown = (uid: string) => ({ case: { uid }, entries: [] });

test('an answer that is overtaken by that to a later question counts for nothing', async () => {
  begin();
  void searchCases('m');
  void searchCases('misfire');
  await answer('/cases?search=misfire', { cases: [{ number: 7 }] });
  await answer('/cases?search=m', { cases: [{ number: 1 }, { number: 7 }] });
  expect([searched.value, cases.value.map((one) => one.number)]).toEqual(['misfire', [7]]);
});

test('a second tap before the answer is there writes nothing twice', async () => {
  begin();
  const note = { kind: 'note', text: 'hot' } as const;
  const [one, other] = [enter(note), enter(note)];
  expect(asks('/case')).toBe(1);
  await answer('/case', null);
  expect([await one, await other]).toEqual([true, true]);
  void enter(note);
  expect(asks('/case')).toBe(1);
});

test('lists follow the ledger, the open case and the connection', async () => {
  begin();
  session.value = { may_hold: true } as SessionJson;
  connected.value = true;
  startLists();
  state.value = told(1);
  // What was searched for is still searched for.
  expect(asks('/cases?search=misfire')).toBe(1);
  await answer('/case', shown('a'));
  await answer('/case/suspects', { areas: [{ id: 'misfire.1' }] });
  expect(suspects.value?.areas).toHaveLength(1);
  // Another case is taken up: nothing is suspected in it yet.
  state.value = told(2);
  await answer('/case', shown('b'));
  expect([openCase.value?.case.uid, suspects.value]).toEqual(['b', null]);
  // It is closed while its suspects are weighed.
  state.value = told(3);
  await answer('/case', null);
  await answer('/case/suspects', { areas: [] });
  expect([openCase.value, suspects.value]).toEqual([null, null]);
  // After a connection that was lost everything is asked for, whether or not it changed.
  const before = asks('/drives');
  connected.value = false;
  connected.value = true;
  expect(asks('/drives')).toBe(before + 1);
  session.value = null;
});

test('signals in a text are called as people call them, and nothing else is touched', () => {
  signals.value = [
    { id: 'fan.command', title: 'radiator fan' },
    { id: 'fan.command.duty', title: 'duty of the radiator fan' },
  ] as Signal[];
  expect(
    named('drive output `fan.command`: fan.command.duty followed. In a.mcap, at 1.5 s, fan.commanded.'),
  ).toBe('drive output radiator fan: duty of the radiator fan followed. In a.mcap, at 1.5 s, fan.commanded.');
  signals.value = [];
});
