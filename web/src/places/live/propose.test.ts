import { expect, test } from 'vitest';
import type { Proof, SuspectArea } from '../../api/types';
import { forProof, proposals } from './propose';

const signal = (id: string, readable = true) => ({
  id,
  title: id,
  unit: '1',
  vss: null,
  readable,
  modules: [],
});
const area = (id: string, decided = false): SuspectArea =>
  ({ id, title: `about ${id}`, decided }) as SuspectArea;
const known = [
  signal('engine.speed'),
  signal('misfire.cylinder_1'),
  signal('misfire.cylinder_2'),
  signal('pedal.position_1'),
  signal('engine.load', false),
];

test('an open area proposes what can be read of what its checks look at', () => {
  expect(proposals([area('misfire.1'), area('pedal'), area('network')], known)).toEqual([
    {
      title: 'about misfire.1',
      signals: ['engine.speed', 'misfire.cylinder_1', 'misfire.cylinder_2', 'pedal.position_1'],
    },
    { title: 'about pedal', signals: ['pedal.position_1', 'engine.speed'] },
  ]);
});

test('the proof of a repair proposes what it needs, until the fault is gone', () => {
  const fault = (outcome: string) => ({ kind: 'misfire', outcome, signals: ['engine.speed', 'unknown'] });
  const proof = { faults: [fault('not yet'), fault('gone')] } as unknown as Proof;
  expect(forProof(proof, known)).toEqual([{ title: 'misfire', signals: ['engine.speed'] }]);
  expect(forProof(null, known)).toEqual([]);
});

test('what is decided proposes nothing', () => {
  expect(proposals([area('misfire.1', true)], known)).toEqual([]);
});
