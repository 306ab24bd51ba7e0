/** A drive while it is recorded: numbers, traces, and what can be done meanwhile. */

import { useEffect, useMemo, useRef, useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { RecordingJson } from '../../api/types';
import { bind } from '../../app/keys';
import { address } from '../../app/router';
import { stream, takeCar, tried } from '../../app/state';
import { passenger } from '../../app/theme';
import { OtherCar } from '../../parts/notices';
import { clock, count, t } from '../../text';
import { AgainstView } from '../../trace/against-view';
import { Board, BoardView } from '../../trace/board';
import { Cursors } from '../../trace/cursors';
import { Layouts } from '../../trace/layouts';
import { Choice } from './choice';
import { mark, stop } from './deeds';
import { feed } from './feed';
import { moves, speedNow } from './moving';
import { Readings } from './readings';

const windows = [10, 30, 120, 600] as const;

/** How the picture is arranged; one tap brings the standard view back. */
interface Look {
  span: number;
  paused: boolean;
  layout: Board['layout'];
  hidden: readonly string[];
  alone: string | null;
  against: [string, string] | null;
}

const standard: Look = {
  span: 30,
  paused: false,
  layout: 'stacked',
  hidden: [],
  alone: null,
  against: null,
};

export function Running({ recording }: { recording: RecordingJson }) {
  const board = useMemo(() => new Board(), []);
  const [look, setLook] = useState(standard);
  const change = (part: Partial<Look>) => setLook((was) => ({ ...was, ...part }));
  const [choosing, setChoosing] = useState<string[] | null>(null);
  const moving = useMoving(recording);

  useEffect(() => stream.watch(null, () => {}), []);
  useEffect(() => bind('m', () => void mark()), []);
  useEffect(() => bind(' ', () => setLook((was) => ({ ...was, paused: !was.paused }))), []);
  useEffect(() => bind('s', () => reset()), []);
  useEffect(() => run(board, look.span, look.paused), [board, look.span, look.paused]);
  // Looking back by hand pauses the picture, never the recording.
  board.moved = () => change({ paused: true });
  board.layout = look.layout;
  board.marks = recording.marks;
  const traces = feed.traces(recording);
  const { hidden, alone } = look;
  board.traces = traces.filter((trace) => (alone ? trace.id === alone : !hidden.includes(trace.id)));
  const reset = () => {
    board.cursors.value = [null, null];
    setLook(standard);
  };
  const toggle = (id: string) => {
    if (alone) return change({ alone: id });
    change({ hidden: hidden.includes(id) ? hidden.filter((one) => one !== id) : [...hidden, id] });
  };
  if (moving) return <Moving recording={recording} />;
  const first = traces[0]?.id ?? '';
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
        <button
          type="button"
          class="key"
          aria-pressed={look.paused}
          onClick={() => change({ paused: !look.paused })}
        >
          {look.paused ? t('live_go_on') : t('live_pause')}
        </button>
        <button type="button" class="key" disabled={look === standard} onClick={reset}>
          {t('live_standard')}
        </button>
        <label class="row">
          <span class="label">{t('live_window')}</span>
          <select
            class="key slim"
            value={look.span}
            onChange={(event) => change({ span: Number(event.currentTarget.value) })}
          >
            {windows.map((seconds) => (
              <option key={seconds} value={seconds}>
                {clock(seconds, 0)}
              </option>
            ))}
          </select>
        </label>
        <Layouts layout={look.layout} change={(layout) => change({ layout })} />
        <button
          type="button"
          class="key slim"
          aria-pressed={look.against !== null}
          disabled={traces.length < 2}
          onClick={() => change({ against: look.against ? null : [first, traces[1]?.id ?? first] })}
        >
          {t('against')}
        </button>
        <button
          type="button"
          class="key slim"
          aria-pressed={choosing !== null}
          onClick={() => setChoosing(choosing ? null : recorded(recording))}
        >
          {t('live_change')}
        </button>
        <span class="quiet small grow figure end">
          {clock(recording.t_s, 0)} · {count('samples', recording.n_samples)}
        </span>
      </div>
      <OtherCar />
      {choosing && (
        <div class="in-place rows">
          <button
            type="button"
            class="key main"
            disabled={choosing.length === 0}
            onClick={async () => {
              if (!(await takeCar())) return;
              const sent = send('POST', '/car/signals', { signals: choosing }).then(() => true);
              if (await tried(sent)) setChoosing(null);
            }}
          >
            {count('live_change_to', choosing.length)}
          </button>
          <Choice chosen={choosing} change={setChoosing} />
        </div>
      )}
      {look.against ? (
        <AgainstView
          traces={traces}
          view={board.view.value}
          chosen={look.against}
          change={(against) => change({ against })}
        />
      ) : (
        <BoardView board={board} label={t('live_board')} />
      )}
      {look.paused && !look.against && <Cursors board={board} traces={board.traces} />}
      <Readings
        recording={recording}
        traces={traces}
        hidden={hidden}
        toggle={toggle}
        alone={alone}
        enlarge={(id) => change({ alone: id })}
      />
    </div>
  );
}

/** What is recorded now: signals that were left out on the way stay in the drive, but bring nothing more. */
function recorded(recording: RecordingJson): string[] {
  return recording.signals.filter((one) => !one.left_out).map((one) => one.id);
}

/** Moves the picture on with every frame of the screen; returns how to end that. */
function run(board: Board, span: number, paused: boolean): () => void {
  let frame = 0;
  const turn = () => {
    board.whole = { from: feed.first, to: Math.max(feed.now, feed.first + 1) };
    if (paused) board.dirty();
    // A strip of paper: it fills from the left, then runs.
    else board.show({ from: Math.max(0, feed.now - span), to: Math.max(span, feed.now) });
    frame = requestAnimationFrame(turn);
  };
  turn();
  return () => cancelAnimationFrame(frame);
}

/** Shows new numbers ten times a second, and tells whether the car moves and nobody but its driver may be looking. */
function useMoving(recording: RecordingJson): boolean {
  const [, setTick] = useState(0);
  const before = useRef(false);
  useEffect(() => {
    const numbers = setInterval(() => setTick((n) => n + 1), 100);
    return () => clearInterval(numbers);
  }, []);
  before.current = moves(
    speedNow(recording, (signal) => feed.samples(recording, signal)),
    before.current,
  );
  return before.current && !passenger.value;
}

/** Above walking pace there is nothing here to look at. */
function Moving({ recording }: { recording: RecordingJson }) {
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('moving_title')}</h1>
        <p>{t('moving_why')}</p>
        <p class="figure">{clock(recording.t_s, 0)}</p>
        <a class="key main" href={address('road')}>
          {t('place_road')}
        </a>
        <button
          type="button"
          class="key"
          onClick={() => {
            passenger.value = true;
          }}
        >
          {t('moving_passenger')}
        </button>
      </div>
    </div>
  );
}
