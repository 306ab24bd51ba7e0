/** What every part of the page may look at. */

import { computed, signal } from '@preact/signals';
import { Failed, get, send } from '../api/http';
import { Stream } from '../api/stream';
import type { CarJson, SessionJson, StateJson, TakenJson } from '../api/types';
import { t } from '../text';

/** Who this page is; null until it has joined. */
export const session = signal<SessionJson | null>(null);
/** Why it could not join by itself: it needs a pairing code. */
export const needsCode = signal(false);
/** What the workbench last told. */
export const state = signal<StateJson | null>(null);
/** Whether the connection is open now. */
export const connected = signal(false);
/** How often a lost connection came back: what could not be asked for meanwhile is asked for then. */
export const returns = signal(0);
/** Something that went wrong. */
interface Trouble {
  message: string;
  hints: string[];
  /** The workbench was out of reach: over as soon as it answers. */
  isUnreached?: boolean;
}

/** What went wrong last, until it is put away. */
export const trouble = signal<Trouble | null>(null);

export const me = computed(() => state.value?.people.clients.find((client) => client.id === state.value?.me));
export const holds = computed(() => me.value?.role === 'holder');

let isLost = false;
/** Whether a drive was being recorded when the connection was lost, of which nothing was told since. */
let leftTaping = false;

const isTaping = (car: CarJson | undefined) => car?.stage === 'recording' || car?.stage === 'commanding';

/** Takes in what the workbench tells. One that was started anew knows nothing of the drive that it died in. */
export function take(told: StateJson): void {
  state.value = told;
  if (leftTaping && !isTaping(told.car) && !told.car.recording)
    trouble.value = { message: t('recording_cut'), hints: [t('recording_cut_where')] };
  leftTaping = false;
}

/** The connection is open, or was lost. */
export function opened(isOpen: boolean): void {
  if (!isOpen) leftTaping ||= isTaping(state.value?.car) && connected.value;
  else if (trouble.value?.isUnreached) trouble.value = null;
  connected.value = isOpen;
}

export const stream = new Stream({
  state: take,
  open: (isOpen) => {
    if (isOpen && isLost) returns.value += 1;
    isLost = !isOpen;
    opened(isOpen);
    // Sent away or forgotten meanwhile, or opened while the workbench was away? The session says.
    if (isOpen !== (session.value !== null)) void start(false);
  },
});

/** Finds out who this page is, and opens the stream. */
export async function start(first = true): Promise<void> {
  const before = session.value;
  try {
    session.value = await get<SessionJson>('/session');
    needsCode.value = false;
    if (first) stream.connect();
  } catch (error) {
    // Whoever joined while this was asked is known by now.
    if (error instanceof Failed && error.status === 401) needsCode.value = session.value === before;
    // No answer: the stream tries again by itself.
    else if (first) stream.connect();
  }
}

export async function join(code: string, name: string): Promise<void> {
  session.value = await send<SessionJson>('POST', '/session/join', { code, name });
  needsCode.value = false;
  stream.connect();
}

/** Runs what somebody did and may fail, and shows why if it does. Returns what came, or undefined. */
export async function tried<T>(work: Promise<T>): Promise<T | undefined> {
  const before = trouble.value;
  const done = await asked(work);
  // What went wrong before is over; what was told meanwhile is not.
  if (done !== undefined && trouble.value === before) trouble.value = null;
  return done;
}

/** The same for what the page does by itself: that it works puts away nothing that somebody has yet to read. */
export async function asked<T>(work: Promise<T>): Promise<T | undefined> {
  try {
    return await work;
  } catch (error) {
    trouble.value =
      error instanceof Failed
        ? { message: error.message, hints: error.hints, isUnreached: error.status === 0 }
        : { message: t('trouble_page', { what: String(error) }), hints: [] };
    return undefined;
  }
}

/** Takes the car if this page does not hold it; whether it does then. Otherwise its holder was asked, and that is said. */
export async function takeCar(): Promise<boolean> {
  if (holds.value) return true;
  const answer = await tried(send<TakenJson>('POST', '/car/take'));
  if (answer && !answer.taken) {
    const people = state.value?.people;
    const name = people?.clients.find((client) => client.id === people.holder)?.name ?? '';
    trouble.value = { message: t('asked_for_car', { name }), hints: [t('asked_what_now')] };
  }
  return answer?.taken ?? false;
}
