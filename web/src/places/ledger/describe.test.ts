import { afterEach, expect, test } from 'vitest';
import type { CaseShown, Entry, Signal } from '../../api/types';
import { openCase, signals } from '../../app/lists';
import { language } from '../../text';
import { learn } from '../../text/said';
import { describe } from './describe';

afterEach(() => {
  openCase.value = null;
  signals.value = [];
  language.value = 'en';
});

const entries = [
  { number: 2, content: { kind: 'tested', area: 'misfire.1', test: 'coil-feed', is_yes: false } },
  { number: 3, content: { kind: 'repaired', area: 'misfire.1', suspect: 'plug', helped: true } },
] as Entry[];
const lines = () => entries.map((entry) => describe(entry).line);

test('tests and repairs are told in words of whoever reads them', async () => {
  // As the workshop says them: crates/evidence/data/suspects/misfire.toml.
  const words = {
    2: 'supply, ground and trigger of the coil hold under load',
    3: 'spark plug of cylinder 1',
  };
  openCase.value = { words, entries } as unknown as CaseShown;
  expect(lines()).toEqual([
    'supply, ground and trigger of the coil hold under load',
    'spark plug of cylinder 1: it helped',
  ]);
  await learn('es');
  language.value = 'es';
  expect(lines()).toEqual([
    'alimentación, masa y disparo de la bobina aguantan con carga',
    'bujía del cilindro 1: ayudó',
  ]);
});

test('the mark that a command sets calls its output as people do', () => {
  signals.value = [{ id: 'fan.command', title: 'radiator fan' }] as Signal[];
  const mark = { number: 4, content: { kind: 'mark', t_s: 3.4, text: 'fan.command on' } } as Entry;
  expect(describe(mark).line).toMatch(/radiator fan on$/);
});
