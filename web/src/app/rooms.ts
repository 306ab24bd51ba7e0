/** The places of the bench, all but the first loaded when they are gone to: the page is ready before all of it is there. */

import { signal } from '@preact/signals';
import type { ComponentType } from 'preact';
import { Start } from '../places/start/index';
import { t } from '../text';
import type { Place } from './router';
import { trouble } from './state';

type Room = ComponentType<{ what: string | null }>;
/** A place that is loaded later. */
type Later = Exclude<Place, 'start'>;

const loads: Record<Later, () => Promise<Room>> = {
  survey: async () => (await import('../places/survey/index')).Survey,
  live: async () => (await import('../places/live/index')).Live,
  road: async () => (await import('../places/road/index')).Road,
  review: async () => (await import('../places/review/index')).Review,
  command: async () => (await import('../places/command/index')).Command,
  swap: async () => (await import('../places/swap/index')).Swap,
  report: async () => (await import('../places/report/index')).Report,
  settings: async () => (await import('../places/settings/index')).Settings,
};

const loaded = signal<Partial<Record<Place, Room>>>({ start: Start });
const asked = new Map<Later, Promise<void>>();

/** The place if it is there; otherwise it is asked for, and whoever looks is told when it is. */
export function room(place: Place): Room | null {
  const there = loaded.value[place];
  if (!there && place !== 'start') void load(place);
  return there ?? null;
}

function load(place: Later): Promise<void> {
  const before = asked.get(place);
  if (before) return before;
  const loading = loads[place]().then(
    (room) => {
      loaded.value = { ...loaded.peek(), [place]: room };
    },
    () => {
      // Gone to again it is tried again; a page of an older program finds its files no more.
      asked.delete(place);
      trouble.value = { message: t('room_failed'), hints: [t('room_reload')] };
    },
  );
  asked.set(place, loading);
  return loading;
}

/** Gets the rest one after the other, so that no place has to be waited for, not even where the network is lost. */
export async function loadRest(): Promise<void> {
  for (const place of Object.keys(loads) as Later[]) await load(place);
}
