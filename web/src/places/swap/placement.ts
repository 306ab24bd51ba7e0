/** Where parts sit, as the ledger counts them. */

import type { CaseShown } from '../../api/types';

/** Kinds of part that sit on cylinders and can change places. */
export const parts = ['coil', 'plug', 'injector'] as const;

/** How many cylinders the case is known to have: those that counted misfires or where a part was moved; 4 without any. */
export function cylinders(shown: CaseShown): number {
  const counted = shown.entries.flatMap((entry) =>
    entry.content.kind === 'drive'
      ? entry.content.summary.signals.flatMap((signal) => {
          const found = /^misfire\.cylinder_(\d+)$/.exec(signal.id);
          return found ? [Number(found[1])] : [];
        })
      : [],
  );
  const placed = Object.values(shown.placement).map((places) => places?.length ?? 0);
  return Math.max(...counted, ...placed, 4);
}

/** Which part of a kind sits on each cylinder, numbered by where it sat at first. */
export function seats(shown: CaseShown, part: string, n: number): number[] {
  const known = shown.placement[part] ?? [];
  return Array.from({ length: n }, (_, k) => known[k] ?? k + 1);
}

/** What each outcome of the drive would mean, before it: where the failing part of a cylinder has gone. */
export function outcomes(shown: CaseShown, n: number): { cylinder: number; carries: string[] }[] {
  return Array.from({ length: n }, (_, k) => ({
    cylinder: k + 1,
    carries: parts.flatMap((part) => {
      const sits = seats(shown, part, n)[k]!;
      return sits === k + 1 ? [] : [`${part} ${sits}`];
    }),
  })).filter((one) => one.carries.length > 0);
}
