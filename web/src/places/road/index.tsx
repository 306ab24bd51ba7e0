/** Road: hands-free. State, time, health of the signals, one huge place to set a mark; nothing that moves. */

import { useEffect, useRef, useState } from 'preact/hooks';
import type { RecordingJson } from '../../api/types';
import { bind } from '../../app/keys';
import { openCase, titleOf } from '../../app/lists';
import { address } from '../../app/router';
import { session, state, stream } from '../../app/state';
import { CarFailure, Caution, RecordingLost } from '../../parts/notices';
import { clock, count, language, number, t, word } from '../../text';
import { said } from '../../text/said';
import { mark as markNow, stop } from '../live/deeds';
import { feed } from '../live/feed';
import { cue, stayAwake, tone } from './awake';
import type { Collector } from './condition';
import { useGoals, workOut } from './goals';

export function Road() {
  const car = state.value?.car;
  const recording = car?.recording;
  const isRunning = car?.stage === 'recording' && recording;
  const [isAwake, setAwake] = useState(true);
  const silent = useSilent(isRunning ? recording : null);
  const goals = useGoals(isRunning ? recording : null);
  useEffect(() => {
    const awake = stayAwake();
    setAwake(awake.works);
    return awake.end;
  }, []);
  useEffect(() => bind('m', () => void mark()), []);
  useEffect(() => bind(' ', () => void mark()), []);
  useEffect(() => bind('Enter', () => void mark()), []);
  useHeadset();
  useCues();
  if (!isRunning) {
    return (
      <div class="place">
        <div class="rows measure">
          <h1>{t('place_road')}</h1>
          <CarFailure />
          <RecordingLost />
          <Caution lines={[t('caution_drive'), t('caution_cable'), t('caution_route')]} />
          <p>
            {t('road_none')} <a href={address('live')}>{t('place_live')}</a>
          </p>
          <Goals goals={goals} />
          {openCase.value && session.value?.may_hold && (
            <button type="button" class="key" onClick={() => void workOut()}>
              {t('road_work_out')}
            </button>
          )}
        </div>
      </div>
    );
  }
  return (
    <div class="place full road">
      <div class="road-state">
        <p class="road-time figure">
          <span class="lamp tape" aria-hidden="true" /> {clock(recording.t_s, 0)}
        </p>
        <p class="road-line">{t('road_recording', { n: recording.signals.length })}</p>
        <p class="road-line" role="status">
          {silent.length === 0
            ? t('road_all_well')
            : t('road_silent', {
                which: silent.map((index) => titleOf(recording.signals[index]?.id ?? '')).join(', '),
              })}
        </p>
        <Goals goals={goals} />
        {recording.disk_left !== null && (
          <p class="quiet">{t('road_disk', { gb: number(recording.disk_left / 1e9, 1) })}</p>
        )}
        {!isAwake && <p class="quiet small">{t('road_not_awake')}</p>}
      </div>
      <button type="button" class="road-mark" onClick={() => void mark()}>
        <span>{t('live_mark')}</span>
        <span class="small">{count('marks', recording.marks.length)}</span>
      </button>
      <button type="button" class="key stop road-stop" onClick={() => void stop()}>
        {t('live_stop')}
      </button>
    </div>
  );
}

/** What must still be driven, and how much of it there is. */
function Goals({ goals }: { goals: readonly Collector[] }) {
  return (
    <ul class="rows" aria-label={t('road_goals')}>
      {goals.map((one) => {
        const { fault, needed_s } = one.goal;
        const share = needed_s > 0 ? 1 - one.lacking_s / needed_s : 1;
        return (
          <li class="road-goal" key={`${fault.kind}/${fault.subject.join()}`} data-inside={one.inside}>
            <strong>
              {word('kind', fault.kind)} {fault.subject.map(titleOf).join(', ')}
            </strong>
            <span>{said(fault.condition)}</span>
            <progress max={1} value={share} aria-label={t('road_collected')} />
            <span class="figure">
              {one.lacking_s > 0
                ? t('road_lacking', {
                    s: number(Math.ceil(one.lacking_s)),
                    of: number(Math.ceil(needed_s)),
                  })
                : t('road_enough')}
            </span>
            {one.missing.length > 0 && (
              <span class="quiet">{t('road_needs', { which: one.missing.map(titleOf).join(', ') })}</span>
            )}
          </li>
        );
      })}
    </ul>
  );
}

async function mark(): Promise<void> {
  if (state.value?.car.stage !== 'recording') return;
  if (await markNow()) tone(880);
}

/** Which signals (by their place in the recording) bring nothing. */
function useSilent(recording: RecordingJson | null): number[] {
  const running = useRef(recording);
  running.current = recording;
  const [silent, setSilent] = useState<number[]>([]);
  useEffect(() => {
    setSilent([]);
    if (!running.current) return;
    const end = stream.watch(null, () => {}, 500);
    const look = setInterval(() => {
      const quiet = running.current ? feed.silent(running.current) : [];
      setSilent((before) => (before.join() === quiet.join() ? before : quiet));
    }, 1000);
    return () => {
      clearInterval(look);
      end();
    };
  }, [recording?.feed]);
  return silent;
}

/** A headset's button sets a mark. */
function useHeadset(): void {
  useEffect(() => {
    if (!('mediaSession' in navigator)) return;
    const actions = ['play', 'pause', 'nexttrack'] as const;
    for (const action of actions) navigator.mediaSession.setActionHandler(action, () => void mark());
    return () => {
      for (const action of actions) navigator.mediaSession.setActionHandler(action, null);
    };
  }, []);
}

/** Says what happens: a note of the recording, a lost connection, the end. */
function useCues(): void {
  const before = useRef({ notes: 0, stage: '' });
  const car = state.value?.car;
  const notes = car?.recording?.notes ?? [];
  useEffect(() => {
    const was = before.current;
    before.current = { notes: notes.length, stage: car?.stage ?? '' };
    if (notes.length > was.notes && was.stage === 'recording')
      cue(330, said(notes.at(-1)?.text ?? ''), language.value);
    if (was.stage === 'recording' && car?.stage !== 'recording') cue(220, t('road_over'), language.value);
  }, [notes.length, car?.stage]);
}
