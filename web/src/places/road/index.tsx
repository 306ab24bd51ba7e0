/** Road: hands-free. State, time, health of the signals, one huge place to set a mark; nothing that moves. */

import { useEffect, useRef, useState } from 'preact/hooks';
import { send } from '../../api/http';
import { bind } from '../../app/keys';
import { titleOf } from '../../app/lists';
import { address } from '../../app/router';
import { state, stream, takeCar, tried } from '../../app/state';
import { spoken } from '../../app/theme';
import { Caution } from '../../parts/notices';
import { clock, count, language, number, t } from '../../text';
import { say, stayAwake, tone } from './awake';

/** A signal that brought nothing for this long is named, s. */
const SILENT = 3;

export function Road() {
  const car = state.value?.car;
  const recording = car?.recording;
  const isRunning = car?.stage === 'recording' && recording;
  const [isAwake, setAwake] = useState(true);
  const silent = useSilent(Boolean(isRunning));
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
          <Caution lines={[t('caution_drive'), t('caution_cable'), t('caution_route')]} />
          <p>
            {t('road_none')} <a href={address('live')}>{t('place_live')}</a>
          </p>
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
        {recording.disk_left !== null && (
          <p class="quiet">{t('road_disk', { gb: number(recording.disk_left / 1e9, 1) })}</p>
        )}
        {!isAwake && <p class="quiet small">{t('road_not_awake')}</p>}
      </div>
      <button type="button" class="road-mark" onClick={() => void mark()}>
        <span>{t('live_mark')}</span>
        <span class="small">{count('marks', recording.marks.length)}</span>
      </button>
      <button
        type="button"
        class="key stop road-stop"
        onClick={async () => {
          if (await takeCar()) await tried(send('POST', '/car/stop'));
        }}
      >
        {t('live_stop')}
      </button>
    </div>
  );
}

async function mark(): Promise<void> {
  if (state.value?.car.stage !== 'recording') return;
  const done = await tried(send('POST', '/car/mark', { text: '' }).then(() => true));
  if (done) tone(880);
}

/** Which signals (by their place in the recording) have fallen silent. */
function useSilent(isRunning: boolean): number[] {
  const heard = useRef(new Map<number, number>());
  const [silent, setSilent] = useState<number[]>([]);
  useEffect(() => {
    if (!isRunning) return;
    const end = stream.watch(
      null,
      (frame) => {
        for (const block of frame.blocks) heard.current.set(block.signal, performance.now() / 1000);
      },
      500,
    );
    const look = setInterval(() => {
      const now = performance.now() / 1000;
      const quiet = [...heard.current].filter(([, at]) => now - at > SILENT).map(([signal]) => signal);
      setSilent((before) => (before.join() === quiet.join() ? before : quiet));
    }, 1000);
    return () => {
      clearInterval(look);
      end();
    };
  }, [isRunning]);
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
    const tell = (sentence: string, hertz: number) => {
      tone(hertz, 0.4);
      if (spoken.value) say(sentence, language.value);
    };
    if (notes.length > was.notes && was.stage === 'recording') tell(notes.at(-1)?.text ?? '', 330);
    if (was.stage === 'recording' && car?.stage !== 'recording') tell(t('road_over'), 220);
  }, [notes.length, car?.stage]);
}
