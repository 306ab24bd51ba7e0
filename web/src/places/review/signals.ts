import type { DriveSummary, Finding } from '../../api/types';

/** Most traces that are shown before somebody asks for more. */
const MOST = 5;

/** What to show first: what the strongest findings are about, then what every drive is read by, then the rest. */
export function firstChoice(drive: DriveSummary, findings: readonly Finding[]): string[] {
  const recorded = new Set(drive.signals.map((signal) => signal.id));
  const suspicious = findings
    .filter((finding) => finding.verdict === 'faulty')
    .flatMap((finding) => finding.subject);
  const usual = ['vehicle.speed', 'engine.speed', 'engine.load'];
  const all = [...suspicious, ...usual, ...recorded].filter((id) => recorded.has(id));
  return [...new Set(all)].slice(0, MOST);
}
