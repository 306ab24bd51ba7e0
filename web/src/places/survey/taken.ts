import { moment } from '../../text';

/** When a survey was taken, `2026-03-01 09:30:00 UTC`, in the reader's own way. */
export function takenAt(taken: string): string {
  const at = Date.parse(taken.replace(' UTC', 'Z').replace(' ', 'T'));
  return Number.isNaN(at) ? taken : moment(at / 1000);
}
