/** Two signals against each other, over the stretch that is looked at. */

import { Chart } from '../parts/chart';
import { t, unitShown } from '../text';
import { against } from './against';
import type { Trace } from './plot';
import { niceRange, type Range } from './scale';

interface Props {
  traces: Trace[];
  view: Range;
  /** Identifiers of the two signals. */
  chosen: readonly [string, string];
  change: (chosen: [string, string]) => void;
}

export function AgainstView({ traces, view, chosen, change }: Props) {
  const find = (id: string) => traces.find((trace) => trace.id === id);
  const [x, y] = [find(chosen[0]), find(chosen[1])];
  const points = x && y ? against(x.samples, y.samples, view.from, view.to) : [];
  const range = (at: 0 | 1) => {
    let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
    for (const point of points) {
      low = Math.min(low, point[at]);
      high = Math.max(high, point[at]);
    }
    return niceRange(low, high);
  };
  const name = (trace: Trace | undefined) =>
    [trace?.label, unitShown(trace?.unit)].filter(Boolean).join(', ');
  const newest = points.at(-1);
  return (
    <div class="against rows">
      <div class="row">
        {([0, 1] as const).map((axis) => (
          <label class="row" key={axis}>
            <span class="label">{t(axis === 0 ? 'against_x' : 'against_y')}</span>
            <select
              class="key slim"
              value={chosen[axis]}
              onChange={(event) => {
                const id = event.currentTarget.value;
                change(axis === 0 ? [id, chosen[1]] : [chosen[0], id]);
              }}
            >
              {traces.map((trace) => (
                <option key={trace.id} value={trace.id}>
                  {trace.label}
                </option>
              ))}
            </select>
          </label>
        ))}
      </div>
      <Chart
        label={t('against_label', { x: x?.label ?? '', y: y?.label ?? '', n: points.length })}
        x={{ range: range(0), label: name(x) }}
        y={{ range: range(1), label: name(y) }}
      >
        {(at) => (
          <>
            <path
              // A stroke of no length with round ends is a dot.
              d={points.map(([a, b]) => `M${at.x(a).toFixed(1)} ${at.y(b).toFixed(1)}h0`).join('')}
              stroke="var(--accent)"
              stroke-width="3"
              stroke-linecap="round"
              opacity="0.6"
            />
            {newest && (
              <circle
                cx={at.x(newest[0])}
                cy={at.y(newest[1])}
                r="6"
                fill="none"
                stroke="var(--ink)"
                stroke-width="2.500"
              />
            )}
          </>
        )}
      </Chart>
    </div>
  );
}
