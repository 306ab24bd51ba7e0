/** What must still be driven, followed while it is, with a cue for every change. */

import { useEffect, useRef, useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { Proof, RecordingJson } from '../../api/types';
import { lastProof } from '../../app/lists';
import { stream, tried } from '../../app/state';
import { language, number, t } from '../../text';
import { feed } from '../live/feed';
import { cue } from './awake';
import { Collector, type Cue, goalsOf } from './condition';

/** Works out anew what must be driven, and writes it into the ledger. */
export async function workOut(): Promise<void> {
  await tried(send<Proof>('POST', '/case/proof'));
}

/** What must still be driven for the open case, as its last proof says. */
export function useGoals(recording: RecordingJson | null): Collector[] {
  const collectors = useRef<Collector[]>([]);
  const [, setTick] = useState(0);
  const last = lastProof.value;
  // Every recording is counted on its own; what came before it is in the proof.
  const of = `${last?.number}/${recording?.feed}`;
  useEffect(() => {
    collectors.current = goalsOf(last?.proof ?? null).map((goal) => new Collector(goal));
    // What was driven while this page looked elsewhere counts too; nothing is said of it.
    const before = recording ? feed.traces(recording) : [];
    const all = before.map(({ id, samples }) => ({ signal: id, samples }));
    for (const collector of collectors.current) collector.takeAll(all);
    setTick((n) => n + 1);
  }, [of]);
  const ids = recording?.signals.map((signal) => signal.id).join() ?? '';
  useEffect(() => {
    if (ids === '') return;
    const names = ids.split(',');
    const end = stream.watch(
      null,
      (frame) => {
        const all = frame.blocks.map(({ signal, t: at, v }) => ({
          signal: names[signal] ?? '',
          samples: { t: at, v, n: at.length },
        }));
        for (const collector of collectors.current) {
          const told = collector.takeAll(all);
          // Minutes may come at once, after a lost connection: how it stands now is said, not all that was.
          const said = told.includes('enough') ? 'enough' : told.at(-1);
          if (said) tell(said, collector);
        }
      },
      100,
    );
    const look = setInterval(() => setTick((n) => n + 1), 500);
    return () => {
      clearInterval(look);
      end();
    };
  }, [ids]);
  // Another list each time: what is in it changes without a signal that a part of the page could follow.
  return [...collectors.current];
}

/** Tones tell the three apart without words: up, down, twice up. */
function tell(said: Cue, collector: Collector): void {
  const left = number(Math.ceil(collector.lacking_s));
  if (said === 'reached')
    cue(660, collector.lacking_s > 0 ? t('road_reached', { s: left }) : '', language.value);
  else if (said === 'left') cue(440, '', language.value);
  else cue(990, t('road_enough'), language.value);
}
