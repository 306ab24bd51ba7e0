import { expect, test } from 'vitest';
import { firstChoice } from './signals';

const drive = (...ids: string[]) => ({
  file: '',
  duration_s: 1,
  marks: [],
  gaps: [],
  signals: ids.map((id) => ({ id, unit: '1', samples: 2, median_interval_s: 1 })),
});
const finding = (verdict: string, ...subject: string[]) => ({
  kind: 'dropout',
  subject,
  verdict,
  log10_odds: 0,
  statement: '',
  figures: {},
  spans: [],
  alternatives: [],
  next: [],
});

test('what is faulty is shown first, and nothing twice or that was not recorded', () => {
  const all = drive('a', 'engine.speed', 'b', 'c', 'd', 'e');
  expect(
    firstChoice(all, [finding('faulty', 'e'), finding('faulty', 'e', 'cylinder 1'), finding('healthy', 'd')]),
  ).toEqual(['e', 'engine.speed', 'a', 'b', 'c']);
  expect(firstChoice(drive('x'), [])).toEqual(['x']);
});
