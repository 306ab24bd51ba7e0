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
  Signal,
  Suspects,
  Watchlist,
} from '../api/types';
import { said } from '../text/said';
import { asked, session, state, tried } from './state';

export const drives = signal<DriveJson[]>([]);
export const signals = signal<Signal[]>([]);
export const watchlists = signal<Watchlist[]>([]);
export const adapters = signal<AdapterJson[]>([]);
/** The open case with its ledger; null when none is open. */
export const openCase = signal<CaseShown | null>(null);
export const cases = signal<Case[]>([]);
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

async function fill<T>(list: { value: T }, path: string): Promise<void> {
  const got = await asked(get<T>(path));
  if (got !== undefined) list.value = got;
}

export const refreshWatchlists = () => fill(watchlists, '/watchlists');
export const refreshSignals = () => fill(signals, '/signals');

export async function searchCases(words: string): Promise<void> {
  const found = await asked(get<Cases>(`/cases?search=${encodeURIComponent(words)}`));
  if (found) cases.value = found.cases;
}

async function refreshCase(): Promise<void> {
  await fill(openCase, '/case');
  if (!openCase.value) {
    suspects.value = null;
    return;
  }
  if (!session.value?.may_hold) return;
  suspects.value = (await asked(send<Suspects>('POST', '/case/suspects'))) ?? null;
}

/** Writes into the ledger of the open case; whether that was done. */
export async function enter(entry: EntryJson): Promise<boolean> {
  return (await tried(send('POST', '/case', entry).then(() => true))) ?? false;
}

export function startLists(): void {
  let seen = '';
  effect(() => {
    if (!session.value || !state.value) return;
    const now = `${state.value.car.n_done}/${state.value.ledger}`;
    if (now === seen) return;
    seen = now;
    void fill(drives, '/drives');
    void refreshCase();
    void searchCases('');
  });
  effect(() => {
    if (!session.value) return;
    void refreshSignals();
    void fill(adapters, '/adapters');
    void refreshWatchlists();
  });
}
