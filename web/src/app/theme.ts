/** How the page looks for whoever reads it: kept in this browser, applied at once. */

import { effect, signal } from '@preact/signals';
import { type Language, language, languages } from '../text';

export const themes = ['day', 'night', 'sun'] as const;
export type Theme = (typeof themes)[number];

/** Sizes of text, as factors. */
export const scales = [1, 1.25, 1.5, 2] as const;

/** Units and paper of what is handed over. */
export const unitSystems = ['metric', 'us'] as const;
export const papers = ['a4', 'letter'] as const;
export const unitSystem = signal<(typeof unitSystems)[number]>('metric');
export const paper = signal<(typeof papers)[number]>('a4');

export const theme = signal<Theme>('day');
export const scale = signal<number>(1);
/** Whether a passenger may see moving graphs on the road: for as long as this tab is open. */
export const passenger = signal(false);
export const spoken = signal(true);

function kept<T extends string>(name: string, allowed: readonly T[]): T | null {
  const said = localStorage.getItem(name);
  return allowed.find((one) => one === said) ?? null;
}

export function startLook(): void {
  theme.value =
    kept('theme', themes) ?? (matchMedia('(prefers-color-scheme: dark)').matches ? 'night' : 'day');
  const size = Number(localStorage.getItem('scale'));
  scale.value = scales.find((one) => one === size) ?? 1;
  const all = Object.keys(languages) as Language[];
  language.value = kept('language', all) ?? all.find((one) => navigator.language.startsWith(one)) ?? 'en';
  passenger.value = sessionStorage.getItem('passenger') === 'yes';
  // Where people use US units they use the paper that goes with them; both can be chosen.
  const isUs = navigator.language === 'en-US';
  unitSystem.value = kept('units', unitSystems) ?? (isUs ? 'us' : 'metric');
  paper.value = kept('paper', papers) ?? (isUs ? 'letter' : 'a4');
  spoken.value = localStorage.getItem('spoken') !== 'no';
  effect(() => {
    const root = document.documentElement;
    root.dataset.theme = theme.value;
    root.lang = language.value;
    root.style.setProperty('--text-scale', String(scale.value));
    localStorage.setItem('theme', theme.value);
    localStorage.setItem('scale', String(scale.value));
    localStorage.setItem('language', language.value);
    sessionStorage.setItem('passenger', passenger.value ? 'yes' : 'no');
    localStorage.setItem('units', unitSystem.value);
    localStorage.setItem('paper', paper.value);
    localStorage.setItem('spoken', spoken.value ? 'yes' : 'no');
  });
}
