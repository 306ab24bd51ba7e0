/** Values at the cursors, and the time between them; also for those who do not see the picture. */

import { clock, digits, t, unitShown } from '../text';
import type { Board } from './board';
import { reading, type Trace } from './plot';
import { shown } from './scale';

/** `traces` are those of the board: given anew when finer samples have come. */
export function Cursors({ board, traces }: { board: Board; traces: readonly Trace[] }) {
  const [a, b] = board.cursors.value;
  const isFinger = matchMedia('(pointer: coarse)').matches;
  if (a === null) return <p class="quiet small hint">{t(isFinger ? 'cursor_hint_finger' : 'cursor_hint')}</p>;
  return (
    <div class="cursors" role="status">
      <span class="figure">
        A {clock(a, 3)}
        {b !== null &&
          ` · B ${clock(b, 3)} · ${t('cursor_difference', { s: digits(Math.abs(b - a).toFixed(3)) })}`}
      </span>
      <ul class="row">
        {traces.map((trace) => {
          const shift = trace.shift_s ?? 0;
          const at = reading(trace, a - shift);
          const other = b === null ? null : reading(trace, b - shift);
          return (
            <li key={`${trace.id}${trace.index}`}>
              <span class="label">{trace.label}</span>{' '}
              <span class="figure">
                {at ? shown(at.v) : '–'}
                {other && ` → ${shown(other.v)}`} {unitShown(trace.unit)}
              </span>
            </li>
          );
        })}
      </ul>
    </div>
  );
}
