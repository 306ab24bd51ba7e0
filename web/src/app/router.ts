/** Which place the bench shows: the address of the page says. */

import { signal } from '@preact/signals';

export const places = [
  'start',
  'survey',
  'live',
  'road',
  'review',
  'command',
  'swap',
  'report',
  'settings',
] as const;
export type Place = (typeof places)[number];

export interface Where {
  place: Place;
  /** What of it: a drive, a suspect. */
  what: string | null;
}

export type Side = 'ledger' | 'bench' | 'suspects';

/** On a phone one of the three is in front. */
export const side = signal<Side>('bench');

export function parse(path: string): Where {
  const [name = '', ...rest] = path.split('/').filter(Boolean);
  const place = places.find((place) => place === name) ?? 'start';
  return { place, what: rest.length > 0 ? decoded(rest.join('/')) : null };
}

/** A part of an address as it was meant: one that somebody typed may be no encoding at all. */
function decoded(part: string): string {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}

/** The pairing code that an invitation put behind its address; nothing else that stands there is one. */
export function codeOf({ pathname, hash }: { pathname: string; hash: string }): string | null {
  return pathname === '/join' ? hash.slice(1) : null;
}

export function address(place: Place, what?: string | null): string {
  return place === 'start' ? '/' : `/${place}${what ? `/${encodeURIComponent(what)}` : ''}`;
}

/** The part of an address that names a stretch of a drive, seconds. */
export function spanHash(from: number, to: number): string {
  return `#${from.toFixed(3)}-${to.toFixed(3)}`;
}

/** The stretch that the address names, if it names one. */
export function spanOf(hash: string): { from: number; to: number } | null {
  const found = /^#(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)$/.exec(hash);
  return found ? { from: Number(found[1]), to: Number(found[2]) } : null;
}

export const where = signal<Where>({ place: 'start', what: null });

/** Goes to a place, in one step back of which the browser is where it was; `hash` is a stretch of the drive there. */
export function go(place: Place, what?: string | null, hash = ''): void {
  const to = address(place, what) + hash;
  if (to !== location.pathname + location.hash) history.pushState(null, '', to);
  where.value = { place, what: what ?? null };
  side.value = 'bench';
}

export function startRouter(): void {
  where.value = parse(location.pathname);
  window.addEventListener('popstate', () => {
    where.value = parse(location.pathname);
  });
  // A link inside the page changes the place, not the page.
  window.addEventListener('click', (event) => {
    const link = (event.target as Element | null)?.closest?.('a[href^="/"]');
    if (
      !link ||
      event.defaultPrevented ||
      event.ctrlKey ||
      event.metaKey ||
      event.shiftKey ||
      link.hasAttribute('download')
    )
      return;
    if (link.getAttribute('target')) return;
    event.preventDefault();
    const [path = '/', hash] = (link.getAttribute('href') ?? '/').split('#');
    const to = parse(path);
    go(to.place, to.what, hash && `#${hash}`);
    // What is pushed is told to nobody: a drive that is open already shows the stretch all the same.
    if (hash) window.dispatchEvent(new HashChangeEvent('hashchange'));
  });
}
