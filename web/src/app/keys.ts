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

export function startKeys(): void {
  window.addEventListener('keydown', (event) => {
    const target = event.target as HTMLElement | null;
    const isTyping = target?.closest?.('input, textarea, select, [contenteditable]');
    if (event.defaultPrevented || isTyping || event.ctrlKey || event.metaKey || event.altKey) return;
    const act = own.get(event.key);
    if (act) act();
    else if (event.key === '?') helpIsOpen.value = !helpIsOpen.value;
    else if (placeKeys[event.key]) go(placeKeys[event.key]!);
    else if (sideKeys[event.key]) focusSide(sideKeys[event.key]!);
    else return;
    event.preventDefault();
  });
}

function focusSide(to: Side): void {
  side.value = to;
  requestAnimationFrame(() => document.querySelector<HTMLElement>(`[data-part="${to}"]`)?.focus());
}
