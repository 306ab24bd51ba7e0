/** A command under way: what must hold, the traces, and the button that drives it for as long as it is held. */

import { useEffect, useMemo, useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { CommandJson, Mark, RecordingJson } from '../../api/types';
import { held, hold, letGo } from '../../app/hold';
import { titleOf } from '../../app/lists';
import { connected, state, stream, tried } from '../../app/state';
import { theme } from '../../app/theme';
import { clock, number, t, unitShown } from '../../text';
import { Board, BoardView } from '../../trace/board';
import { traceColour } from '../../trace/palette';
import type { Band } from '../../trace/plot';
import { feed } from '../live/feed';
import { Value } from '../live/readings';
import type { Action } from './list';
import { met, said } from './needs';

/** What is seen of the past, s. */
const SPAN = 30;

interface Under {
  command: CommandJson;
  recording: RecordingJson;
  action: Action | undefined;
}

export function Running({ command, recording, action }: Under) {
  const board = useMemo(() => new Board(), []);
  const [tick, setTick] = useState(0);
  useEffect(() => stream.watch(null, () => {}), []);
  useEffect(() => {
    const numbers = setInterval(() => setTick((n) => n + 1), 100);
    return () => clearInterval(numbers);
  }, []);
  useEffect(() => {
    let frame = 0;
    const turn = () => {
      board.whole = { from: feed.first, to: Math.max(feed.now, feed.first + 1) };
      board.view.value = { from: Math.max(0, feed.now - SPAN), to: Math.max(SPAN, feed.now) };
      frame = requestAnimationFrame(turn);
    };
    turn();
    return () => cancelAnimationFrame(frame);
  }, [board]);
  void tick;
  const traces = feed.traces(recording);
  const silent = feed.silent(recording);
  board.traces = traces;
  board.bands = driven(command.id, recording.marks, feed.now);
  const latest = (id: string) => {
    const samples = traces.find((trace) => trace.id === id)?.samples;
    if (!samples || samples.n === 0) return null;
    return { value: samples.v[samples.n - 1]!, age: feed.real - samples.t[samples.n - 1]! };
  };
  const needs = (action?.care.needs ?? []).map((need) => ({
    text: said(need),
    unit: unitShown(traces.find((trace) => trace.id === need.signal)?.unit),
    ...met(need, latest(need.signal)),
  }));
  const isMine = command.client === state.value?.me;
  const name = state.value?.people.clients.find((client) => client.id === command.client)?.name ?? '';
  return (
    <div class="place full commanding">
      <div class="bar row apart">
        <h1 class="grow">{action?.title ?? titleOf(command.id)}</h1>
        <span class="quiet figure">{clock(recording.t_s, 0)}</span>
      </div>
      <ul class="needs row" aria-label={t('command_conditions')}>
        {needs.map((need) => (
          <li key={need.text} class={need.state}>
            <Sign state={need.state} />
            <span>
              {need.text}{' '}
              <span class="figure">
                {need.value === null
                  ? t('command_unknown')
                  : `${number(need.value, need.value % 1 === 0 ? 0 : 1)} ${need.unit}`}
              </span>
            </span>
          </li>
        ))}
      </ul>
      <BoardView board={board} label={t('live_board')} />
      <ul class="readings slim">
        {traces.map((trace, index) => (
          <li key={trace.id} class="reading">
            <i class="swatch" style={{ background: traceColour(theme.value, index) }} />
            <span class="label">{trace.label}</span>
            <Value trace={trace} isPresent={!silent.includes(index)} />
            {silent.includes(index) && <span class="quiet small">{t('silent')}</span>}
          </li>
        ))}
      </ul>
      {isMine ? (
        <Hand isReady={needs.every((need) => need.state === 'met')} isPressed={command.is_pressed} />
      ) : (
        <p class="bar">{t('command_by', { name })}</p>
      )}
    </div>
  );
}

/** Stretches in which it was driven, from the marks that the workbench sets. */
function driven(id: string, marks: readonly Mark[], now: number): Band[] {
  const bands: Band[] = [];
  for (const mark of marks) {
    if (mark.text === `${id} on`)
      bands.push({ from: mark.t_s, to: now, kind: 'driven', chosen: true, about: null });
    const last = bands.at(-1);
    if (mark.text === `${id} off` && last) last.to = mark.t_s;
  }
  return bands;
}

function Sign({ state }: { state: 'met' | 'unmet' | 'unknown' }) {
  const path = { met: 'm2 8.500 4 4 8-9', unmet: 'm3 3 10 10M13 3 3 13', unknown: 'M3 8h10' }[state];
  return (
    <svg viewBox="0 0 16 16" width="18" height="18" role="img" aria-label={t(`need_${state}`)}>
      <path d={path} fill="none" stroke="currentColor" stroke-width="2.500" />
    </svg>
  );
}

/** The button. Held by finger, by the space bar or by Enter; or, when the hands are needed elsewhere, until it is stopped. */
function Hand({ isReady, isPressed }: { isReady: boolean; isPressed: boolean }) {
  const [stays, setStays] = useState(false);
  // A place that is left lets go.
  useEffect(() => letGo, []);
  const isHeld = held.value;
  const canPress = (isReady && connected.value) || isHeld;
  const isKey = (event: KeyboardEvent) => event.key === ' ' || event.key === 'Enter';
  const press = () => {
    if (stays && isHeld) letGo();
    else if (canPress) hold();
  };
  const end = () => {
    if (!stays) letGo();
  };
  const label = isPressed
    ? t(stays ? 'command_stop' : 'command_driven')
    : !isReady
      ? t('command_waits')
      : t(stays ? 'command_start' : 'command_hold');
  return (
    <div class="hand">
      <label class="row check">
        <input
          type="checkbox"
          checked={stays}
          disabled={isHeld}
          onChange={(event) => setStays(event.currentTarget.checked)}
        />
        <span class="grow">{t('command_stays')}</span>
      </label>
      <button
        type="button"
        class="hold"
        aria-pressed={isPressed}
        aria-disabled={!canPress}
        onPointerDown={(event) => {
          if (event.button !== 0) return;
          event.currentTarget.setPointerCapture(event.pointerId);
          press();
        }}
        onPointerUp={end}
        onPointerCancel={end}
        onLostPointerCapture={end}
        onContextMenu={(event) => event.preventDefault()}
        onKeyDown={(event) => {
          if (!isKey(event)) return;
          event.preventDefault();
          if (!event.repeat) press();
        }}
        onKeyUp={(event) => {
          if (isKey(event)) end();
        }}
        onBlur={end}
      >
        {label}
      </button>
      <button type="button" class="key" onClick={() => void tried(send('POST', '/car/stop'))}>
        {t('command_done')}
      </button>
    </div>
  );
}
