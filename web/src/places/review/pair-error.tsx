/** How far two tracks of one sensor disagree, over their travel. */

import type { PairError } from '../../api/types';
import { titleOf } from '../../app/lists';
import { Chart, linePath } from '../../parts/chart';
import { number, t, unitShown } from '../../text';
import { niceRange } from '../../trace/scale';

const middles = (pair: PairError) =>
  pair.cells.map((cell) => [(cell.from + cell.to) / 2, cell.middle] as const);

export function PairErrors({ pair, other }: { pair: PairError; other: PairError | null }) {
  const all = [pair, ...(other ? [other] : [])].flatMap((one) => one.cells);
  const [first, second] = pair.signals.map(titleOf) as [string, string];
  if (all.length === 0) return <p class="quiet">{t('pair_empty')}</p>;
  const limits = all.map((cell) => cell.allowed);
  const x = {
    range: {
      from: Math.min(...all.map((cell) => cell.from)),
      to: Math.max(...all.map((cell) => cell.to)),
    },
    label: `${first}, ${unitShown(pair.units[0])}`,
  };
  const y = {
    range: niceRange(
      Math.min(...all.map((cell) => cell.low), ...limits.map((limit) => -limit)),
      Math.max(...all.map((cell) => cell.high), ...limits),
    ),
    label: t('pair_axis', { unit: unitShown(pair.units[1]) }),
  };
  const worst = pair.cells.reduce((a, b) =>
    Math.abs(b.middle) - b.allowed > Math.abs(a.middle) - a.allowed ? b : a,
  );
  const line = t('pair_line', {
    first,
    second,
    slope: number(pair.slope, 3),
    offset: number(pair.offset, 1),
  });
  const said = t('pair_worst', {
    off: number(worst.middle, 1),
    from: number(worst.from, 0),
    to: number(worst.to, 0),
    allowed: number(worst.allowed, 1),
  });
  return (
    <>
      <p class="small">
        {line} {said}
      </p>
      <Chart label={`${line} ${said}`} x={x} y={y}>
        {(at) => (
          <>
            {pair.place && (
              <rect
                x={at.x(pair.place[0])}
                y={at.y(y.range.to)}
                width={Math.max(at.x(pair.place[1]) - at.x(pair.place[0]), 2)}
                height={at.y(y.range.from) - at.y(y.range.to)}
                fill="var(--fault)"
                fill-opacity="0.16"
              />
            )}
            {[1, -1].map((sign) => (
              <path
                key={sign}
                d={linePath(
                  pair.cells.map((cell) => [(cell.from + cell.to) / 2, sign * cell.allowed] as const),
                  at,
                )}
                fill="none"
                stroke="var(--sound)"
                stroke-width="2"
                stroke-dasharray="8 4"
              />
            ))}
            {pair.cells.map((cell) => (
              <path
                key={cell.from}
                d={`M${at.x((cell.from + cell.to) / 2)} ${at.y(cell.low)}V${at.y(cell.high)}`}
                stroke="var(--ink-2)"
                stroke-width="2"
              />
            ))}
            <path d={linePath(middles(pair), at)} fill="none" stroke="var(--accent)" stroke-width="2.500" />
            {other && (
              <path
                d={linePath(middles(other), at)}
                fill="none"
                stroke="var(--open)"
                stroke-width="2.500"
                stroke-dasharray="3 3"
              />
            )}
          </>
        )}
      </Chart>
      <p class="quiet small">{t(other ? 'pair_legend_two' : 'pair_legend')}</p>
    </>
  );
}
