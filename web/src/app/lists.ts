/** Lists that several places show, asked for when they change. */

import { effect, signal } from '@preact/signals';
import { get } from '../api/http';
import type { AdapterJson, DriveJson, Signal, Watchlist } from '../api/types';
import { session, state, tried } from './state';

export const drives = signal<DriveJson[]>([]);
export const signals = signal<Signal[]>([]);
export const watchlists = signal<Watchlist[]>([]);
export const adapters = signal<AdapterJson[]>([]);

/** What a signal is called for people, by its name. */
export function titleOf(id: string): string {
  return signals.value.find((one) => one.id === id)?.title ?? id.replace(/^custom\./, '');
}

async function fill<T>(list: { value: T }, path: string): Promise<void> {
  const got = await tried(get<T>(path));
  if (got !== undefined) list.value = got;
}

export const refreshDrives = () => fill(drives, '/drives');
export const refreshWatchlists = () => fill(watchlists, '/watchlists');

export function startLists(): void {
  let done = -1;
  effect(() => {
    if (!session.value) return;
    const n = state.value?.car.n_done ?? 0;
    if (n !== done) {
      done = n;
      void refreshDrives();
    }
  });
  effect(() => {
    if (!session.value) return;
    void fill(signals, '/signals');
    void fill(adapters, '/adapters');
    void refreshWatchlists();
  });
}
