/** Figures beside their goals. */

import { readFileSync } from 'node:fs';
import { cpus, loadavg } from 'node:os';

/** The value that a share of them does not exceed. */
export function quantile(values: readonly number[], share: number): number {
  const sorted = [...values].sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? Number.NaN;
}

/** Prints a figure beside its goal, the most that it may be. */
export function figure(what: string, value: number, goal: number, unit: string): void {
  const digits = goal < 1 ? 3 : value < 100 ? 1 : 0;
  const met = value <= goal ? 'met' : 'MISSED';
  process.stdout.write(
    `  ${what.padEnd(62)} ${value.toFixed(digits).padStart(9)} ${unit.padEnd(5)} goal ${goal} ${unit}  ${met}\n`,
  );
}

/** Prints what only explains. */
export function aside(text: string): void {
  process.stdout.write(`    ${text}\n`);
}

/** Whether other work runs beside the bench that its times would tell of. */
export const isBusy = () => loadavg()[0]! > cpus().length / 4;

export function machine(): string {
  return `${cpus().length} processors, load ${loadavg()
    .map((load) => load.toFixed(1))
    .join(' ')}`;
}

/** Memory of a process that is in use, MB; not known on systems without `/proc`. */
export function residentMb(pid: number): number {
  try {
    const found = /VmRSS:\s+(\d+) kB/.exec(readFileSync(`/proc/${pid}/status`, 'utf8'));
    return found ? Number(found[1]) / 1024 : Number.NaN;
  } catch {
    return Number.NaN;
  }
}

/** Processor time of a process, s; not known on systems without `/proc`. */
export function processorS(pid: number): number {
  try {
    // Behind the name, which may hold anything, the 12th and 13th fields are its times in hundredths of a second.
    const fields = readFileSync(`/proc/${pid}/stat`, 'utf8').split(') ')[1]!.split(' ');
    return (Number(fields[11]) + Number(fields[12])) / 100;
  } catch {
    return Number.NaN;
  }
}
