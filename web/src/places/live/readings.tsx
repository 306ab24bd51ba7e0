/** The present values, each with the rate and the odds that its signal gets. */

import type { PlannedSignal, RecordingJson } from '../../api/types';
import { theme } from '../../app/theme';
import { number, t, unitShown } from '../../text';
import { traceColour } from '../../trace/palette';
import type { Trace } from '../../trace/plot';
import { shown } from '../../trace/scale';
import { feed } from './feed';

interface Props {
  recording: RecordingJson;
  traces: Trace[];
  hidden: readonly string[];
  toggle: (id: string) => void;
  /** The one that fills the picture; null: none does. */
  alone: string | null;
  enlarge: (id: string | null) => void;
}

/** How often a signal comes, and what that is worth. */
function rate({ left_out, every_s, per_second, odds }: PlannedSignal, isSilent: boolean): string {
  if (left_out) return t('live_left_out');
  if (isSilent) return t('silent');
  // One that is asked for seldom may not have had its turn while the rates were measured.
  if (every_s !== null && every_s > 1) return t('rate_seldom', { s: number(every_s) });
  if (per_second <= 0) return t('rate_none');
  return t('rate_and_odds', { rate: number(per_second, 1), odds: number(odds * 100) });
}

export function Readings({ recording, traces, hidden, toggle, alone, enlarge }: Props) {
  const silent = feed.silent(recording);
  return (
    <ul class="readings">
      {traces.map((trace, index) => {
        const planned = recording.signals[index]!;
        const isSilent = silent.includes(index);
        const isShown = alone === null ? !hidden.includes(trace.id) : alone === trace.id;
        const colour = traceColour(theme.value, index);
        return (
          <li key={trace.id} class="reading-cell">
            <button type="button" class="reading" aria-pressed={isShown} onClick={() => toggle(trace.id)}>
              <i class="swatch" style={{ background: isShown ? colour : 'transparent' }} />
              <span class="label">{trace.label}</span>
              <Value trace={trace} isPresent={!isSilent && !planned.left_out} />
              <span class="quiet small figure">{rate(planned, isSilent)}</span>
            </button>
            <button
              type="button"
              class="enlarge"
              aria-pressed={alone === trace.id}
              aria-label={t('live_enlarge', { what: trace.label })}
              onClick={() => enlarge(alone === trace.id ? null : trace.id)}
            >
              <svg viewBox="0 0 16 16" width="16" height="16" aria-hidden="true">
                <path
                  d={alone === trace.id ? 'M7 2v5H2M9 14V9h5' : 'M9 2h5v5M7 14H2V9'}
                  fill="none"
                  stroke="currentColor"
                  stroke-width="2"
                />
              </svg>
            </button>
          </li>
        );
      })}
    </ul>
  );
}

/** The last value of a signal, if it is of now: one that is silent, or no longer recorded, has none. */
export function Value({ trace, isPresent }: { trace: Trace; isPresent: boolean }) {
  const { n, v } = trace.samples;
  return (
    <span class={`value figure ${isPresent ? '' : 'quiet'}`}>
      {isPresent && n > 0 ? shown(v[n - 1]!) : '–'} <small>{unitShown(trace.unit)}</small>
    </span>
  );
}
