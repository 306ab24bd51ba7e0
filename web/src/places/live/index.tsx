/** Live: numbers and traces of a drive while it is recorded. Whatever is looked at is recorded too. */

import { useEffect, useMemo, useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { RecordingJson } from '../../api/types';
import { bind } from '../../app/keys';
import { titleOf } from '../../app/lists';
import { address } from '../../app/router';
import { state, stream, takeCar, tried } from '../../app/state';
import { theme } from '../../app/theme';
import { Caution } from '../../parts/notices';
import { clock, count, number, t } from '../../text';
import { Board, BoardView } from '../../trace/board';
import { traceColour } from '../../trace/palette';
import { shown } from '../../trace/scale';
import { Choice } from './choice';
import { LiveFeed } from './feed';

const kept = (): string[] => {
  try {
    const ids: unknown = JSON.parse(localStorage.getItem('signals') ?? '[]');
    return Array.isArray(ids) ? ids.filter((id) => typeof id === 'string') : [];
  } catch {
    return [];
  }
};

export function Live() {
  const car = state.value?.car;
  const isRunning = car?.stage === 'recording' && car.recording !== null;
  if (isRunning) return <Running recording={car.recording!} />;
  return <Before />;
}

function Before() {
  const [chosen, setChosen] = useState(kept);
  const car = state.value?.car;
  const change = (ids: string[]) => {
    setChosen(ids);
    localStorage.setItem('signals', JSON.stringify(ids));
  };
  const begin = async () => {
    if (await takeCar()) await tried(send('POST', '/car/record', { signals: chosen, seconds: null }));
  };
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('live_title')}</h1>
        {!car?.vehicle && (
          <p>
            {t('live_no_car')} <a href={address('start')}>{t('place_start')}</a>
          </p>
        )}
        <Caution lines={[t('caution_drive'), t('caution_cable')]} />
        <button
          type="button"
          class="key main"
          disabled={!car?.vehicle || car.stage !== 'ready' || chosen.length === 0}
          onClick={() => void begin()}
        >
          {car?.stage === 'planning' ? t('stage_planning') : count('live_begin', chosen.length)}
        </button>
        <Choice chosen={chosen} change={change} />
      </div>
    </div>
  );
}

const windows = [10, 30, 120, 600] as const;

function Running({ recording }: { recording: RecordingJson }) {
  const feed = useMemo(() => new LiveFeed(), []);
  const board = useMemo(() => new Board(), []);
  const [span, setSpan] = useState<number>(30);
  const [paused, setPaused] = useState(false);
  const [layout, setLayout] = useState<Board['layout']>('stacked');
  const [hidden, setHidden] = useState<readonly string[]>([]);
  const [tick, setTick] = useState(0);

  useEffect(() => stream.watch(null, (frame) => feed.take(frame)), [feed]);
  useEffect(() => bind('m', () => void mark()), []);
  useEffect(() => bind(' ', () => setPaused((was) => !was)), []);
  useEffect(() => {
    const numbers = setInterval(() => setTick((n) => n + 1), 100);
    return () => clearInterval(numbers);
  }, []);
  useEffect(() => {
    let frame = 0;
    const turn = () => {
      board.whole = { from: feed.first, to: Math.max(feed.now, feed.first + 1) };
      if (paused) board.dirty();
      // A strip of paper: it fills from the left, then runs.
      else board.view.value = { from: Math.max(0, feed.now - span), to: Math.max(span, feed.now) };
      frame = requestAnimationFrame(turn);
    };
    turn();
    return () => cancelAnimationFrame(frame);
  }, [board, feed, span, paused]);
  // Looking back by hand pauses the picture, never the recording.
  board.moved = () => setPaused(true);
  board.layout = layout;
  board.marks = recording.marks;
  const traces = feed.traces(recording);
  board.traces = traces.filter((trace) => !hidden.includes(trace.id));
  void tick;

  const stop = async () => {
    if (await takeCar()) await tried(send('POST', '/car/stop'));
  };
  return (
    <div class="place full">
      <div class="bar row">
        <button type="button" class="key stop" onClick={() => void stop()}>
          {t('live_stop')}
        </button>
        <button type="button" class="key" onClick={() => void mark()}>
          {t('live_mark')}{' '}
          {recording.marks.length > 0 && <span class="figure">{recording.marks.length}</span>}
        </button>
        <button type="button" class="key" aria-pressed={paused} onClick={() => setPaused(!paused)}>
          {paused ? t('live_go_on') : t('live_pause')}
        </button>
        <label class="row">
          <span class="label">{t('live_window')}</span>
          <select
            class="key slim"
            value={span}
            onChange={(event) => setSpan(Number(event.currentTarget.value))}
          >
            {windows.map((seconds) => (
              <option key={seconds} value={seconds}>
                {clock(seconds, 0)}
              </option>
            ))}
          </select>
        </label>
        <Layouts layout={layout} change={setLayout} />
        <span class="quiet small grow figure end">
          {clock(recording.t_s, 0)} · {count('samples', recording.n_samples)}
        </span>
      </div>
      <BoardView board={board} label={t('live_board')} />
      <ul class="readings">
        {traces.map((trace, index) => {
          const { n, v } = trace.samples;
          const planned = recording.signals[index]!;
          const isHidden = hidden.includes(trace.id);
          return (
            <li key={trace.id}>
              <button
                type="button"
                class="reading"
                aria-pressed={!isHidden}
                onClick={() =>
                  setHidden(isHidden ? hidden.filter((id) => id !== trace.id) : [...hidden, trace.id])
                }
              >
                <i
                  class="swatch"
                  style={{ background: isHidden ? 'transparent' : traceColour(theme.value, index) }}
                />
                <span class="label">{titleOf(trace.id)}</span>
                <span class="value figure">
                  {n > 0 ? shown(v[n - 1]!) : '–'} <small>{trace.unit === '1' ? '' : trace.unit}</small>
                </span>
                <span class="quiet small figure">
                  {t('rate_and_odds', {
                    rate: number(planned.per_second, 1),
                    odds: number(planned.odds * 100),
                  })}
                </span>
              </button>
            </li>
          );
        })}
      </ul>
    </div>
  );
}

async function mark(): Promise<void> {
  await tried(send('POST', '/car/mark', { text: '' }));
}

export function Layouts(props: { layout: Board['layout']; change: (layout: Board['layout']) => void }) {
  return (
    <fieldset class="group" aria-label={t('layout')}>
      {(['stacked', 'own', 'shared'] as const).map((one) => (
        <button
          type="button"
          key={one}
          class="key slim"
          aria-pressed={props.layout === one}
          onClick={() => props.change(one)}
        >
          {t(`layout_${one}`)}
        </button>
      ))}
    </fieldset>
  );
}
