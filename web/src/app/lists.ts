/** What several places show, asked for when it changes. */

import { computed, effect, signal } from '@preact/signals';
import { get, send } from '../api/http';
import type {
  AdapterJson,
  Case,
  CaseShown,
  Cases,
  DriveJson,
  EntryJson,
  NewCaseJson,
  Signal,
  Suspects,
  Watchlist,
} from '../api/types';
import { said } from '../text/said';
import { asked, connected, session, state, tried } from './state';

export const drives = signal<DriveJson[]>([]);
export const signals = signal<Signal[]>([]);
export const watchlists = signal<Watchlist[]>([]);
export const adapters = signal<AdapterJson[]>([]);
/** The open case with its ledger; null when none is open. */
export const openCase = signal<CaseShown | null>(null);
/** The cases in which these words are found; without words the newest. */
export const cases = signal<Case[]>([]);
export const searched = signal('');
/** How the suspects of the open case stand. */
export const suspects = signal<Suspects | null>(null);

/** The surveys of the open case, the oldest first. */
export const surveys = computed(() =>
  (openCase.value?.entries ?? []).flatMap((entry) =>
    entry.content.kind === 'survey' ? [entry.content.survey] : [],
  ),
);

/** The last proof that stands in the ledger of the open case, with the number of its entry. */
export const lastProof = computed(() => {
  const entry = openCase.value?.entries.findLast(({ content }) => content.kind === 'proof');
  return entry?.content.kind === 'proof' ? { number: entry.number, proof: entry.content.proof } : null;
});

/** What a signal is called for people, by its name. */
export function titleOf(id: string): string {
  return said(signals.value.find((one) => one.id === id)?.title ?? id.replace(/^custom\./, ''));
}

const known = computed(() => new Set(signals.value.map((one) => one.id)));

/** A text of the program with the signals in it called as people call them. */
export function named(text: string): string {
  return text.replace(/`?\b([a-z]\w*(?:\.\w+)+)\b`?/g, (whole, id: string) =>
    known.value.has(id) ? titleOf(id) : whole,
  );
}

/** What a drive of the ledger is asked for by. */
export function driveOf(path: string): string {
  return path.replace(/^.*[/\\]/, '').replace(/\.mcap$/, '');
}

/** Where a drive of the ledger is, by its checksum; null if the open case does not hold it. */
export function fileOf(sha256: string): string | null {
  const entries = openCase.value?.entries ?? [];
  for (const { content } of entries)
    if (content.kind === 'drive' && content.file.sha256 === sha256) return content.file.path;
  return null;
}

/** How often each list was asked for. */
const turns = new WeakMap<object, number>();

function nextTurn(list: object): number {
  const turn = (turns.get(list) ?? 0) + 1;
  turns.set(list, turn);
  return turn;
}

/** Fills a list with an answer, unless it was asked for once more meanwhile: an older answer may come later. */
async function fill<T>(list: { value: T }, answer: Promise<T>): Promise<void> {
  const turn = nextTurn(list);
  const got = await asked(answer);
  if (got !== undefined && turns.get(list) === turn) list.value = got;
}

export const refreshWatchlists = () => fill(watchlists, get('/watchlists'));
export const refreshSignals = () => fill(signals, get('/signals'));

export async function searchCases(words: string): Promise<void> {
  searched.value = words;
  const found = get<Cases>(`/cases?search=${encodeURIComponent(words)}`);
  await fill(
    cases,
    found.then((found) => found.cases),
  );
}

async function refreshCase(): Promise<void> {
  const before = openCase.value?.case.uid;
  await fill(openCase, get('/case'));
  // What is suspected in one case is not shown, and not answered, in another.
  if (openCase.value?.case.uid !== before) {
    nextTurn(suspects);
    suspects.value = null;
  }
  if (openCase.value && session.value?.may_hold) await fill(suspects, send('POST', '/case/suspects'));
}

/** What is being written, as it is sent. */
const underWay = new Map<string, Promise<boolean>>();

/** Writes into the casebook, which is only added to: a second tap before the answer is there is the same one; whether it was done. */
function write(path: string, body: EntryJson | NewCaseJson): Promise<boolean> {
  const what = path + JSON.stringify(body);
  const before = underWay.get(what);
  if (before) return before;
  const work = tried(send('POST', path, body).then(() => true))
    .then((done) => done ?? false)
    .finally(() => underWay.delete(what));
  underWay.set(what, work);
  return work;
}

/** Number of the case that is shown as the open one; what somebody begins now is meant for it. */
export const openNumber = () => openCase.value?.case.number;

/** An address with the case that something was begun in: another may be open by the time it is sent. */
export const inCase = (path: string, of: number | undefined) =>
  of === undefined ? path : `${path}${path.includes('?') ? '&' : '?'}case=${of}`;

/** Writes into the ledger of a case, by its number; whether that was done. */
export const enter = (entry: EntryJson, of = openNumber()) => write(inCase('/case', of), entry);
/** Opens a new case; whether that was done. */
export const openNew = (wanted: NewCaseJson) => write('/cases', wanted);

export function startLists(): void {
  let seen = '';
  effect(() => {
    // What could not be asked for while there was no connection is asked for after it.
    if (!connected.value) seen = '';
    if (!session.value || !state.value || !connected.value) return;
    const now = `${state.value.car.n_done}/${state.value.ledger}`;
    if (now === seen) return;
    seen = now;
    void fill(drives, get('/drives'));
    void refreshCase();
    void searchCases(searched.peek());
  });
  effect(() => {
    if (!session.value) return;
    void refreshSignals();
    void fill(adapters, get('/adapters'));
    void refreshWatchlists();
  });
}
