/** Keys that work everywhere on the page, except while something is typed. */

import { signal } from '@preact/signals';
import type { Key } from '../text';
import { go, type Place, type Side, side } from './router';

export const helpIsOpen = signal(false);

export const placeKeys: Record<string, Place> = {
  '1': 'survey',
  '2': 'live',
  '3': 'road',
  '4': 'review',
  '5': 'command',
  '6': 'swap',
  '7': 'report',
  h: 'start',
};

const sideKeys: Record<string, Side> = { '[': 'ledger', '|': 'bench', ']': 'suspects' };

/** What the help shows: keys, and what they do. */
export const helpLines: readonly [string, Key][] = [
  ['1 – 7', 'keys_places'],
  ['h', 'keys_start'],
  ['[  ]  |', 'keys_sides'],
  ['m', 'keys_mark'],
  ['n  p', 'keys_findings'],
  ['← → + − 0', 'keys_view'],
  ['c  Alt+c', 'keys_cursor'],
  ['s', 'keys_standard'],
  ['?', 'keys_help'],
];

/** What the place in front does with a key. */
const own = new Map<string, () => void>();

/** Gives a key to the place in front; returns how to take it back. */
export function bind(key: string, act: () => void): () => void {
  own.set(key, act);
  return () => {
    if (own.get(key) === act) own.delete(key);
  };
}

/** What takes any key, what a press of the space bar works, and what Enter works (the place in front is gone to already). */
const TYPED = 'input:not([type=checkbox], [type=radio]), textarea, select, [contenteditable]';
const PRESSED = 'button, summary, input';
const ENTERED = 'button, summary, a[href]:not([aria-current])';

/** Whether what has the focus does something of its own with a key: a mark is not set by whoever works a button. */
export function isOwnKey(target: Pick<Element, 'closest'> | null, key: string): boolean {
  const has = (what: string) => Boolean(target?.closest?.(what));
  return has(TYPED) || (key === ' ' && has(PRESSED)) || (key === 'Enter' && has(ENTERED));
}

export function startKeys(): void {
  window.addEventListener('keydown', (event) => {
    const isOwn = isOwnKey(event.target as Element | null, event.key);
    if (event.defaultPrevented || isOwn || event.ctrlKey || event.metaKey || event.altKey) return;
    // Capitals are on after a plate or a VIN was typed.
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const act = own.get(key) ?? actOf(key);
    if (!act) return;
    // A key that is held sets one mark.
    if (!event.repeat) act();
    event.preventDefault();
  });
}

/** What a key does everywhere. */
function actOf(key: string): (() => void) | undefined {
  const [place, to] = [placeKeys[key], sideKeys[key]];
  if (place) return () => go(place);
  if (to) return () => focusSide(to);
  if (key !== '?') return undefined;
  return () => {
    helpIsOpen.value = !helpIsOpen.value;
  };
}

function focusSide(to: Side): void {
  side.value = to;
  requestAnimationFrame(() => document.querySelector<HTMLElement>(`[data-part="${to}"]`)?.focus());
}
