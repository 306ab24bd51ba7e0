/** What repeats in the speed of each wheel, by how often it does per metre rolled: one turn, two, three. */

import type { WheelSpectrum, Wheels } from '../../api/types';
import { titleOf } from '../../app/lists';
import { theme } from '../../app/theme';
import { Chart, linePath, type Places } from '../../parts/chart';
import { number, t } from '../../text';
import { traceColour } from '../../trace/palette';

export function WheelTurns({ wheels, other }: { wheels: Wheels; other: Wheels | null }) {
  const { spectra } = wheels;
  const all = [...spectra, ...(other?.spectra ?? [])];
  if (all.length === 0) return null;
  const [low, high] = wheels.turn_per_m;
  const most = Math.max(...all.flatMap((one) => one.percent), 2 * wheels.tolerance_percent);
  const per = all[0]!.per_m;
  const x = { range: { from: per[0]!, to: per[per.length - 1]! }, label: t('wheels_axis') };
  const y = { range: { from: 0, to: most * 1.06 }, label: t('wheels_size') };
  const tops = spectra.map((one) => {
    const turns = one.percent.map((percent, k) =>
      one.per_m[k]! >= low && one.per_m[k]! <= high ? percent : 0,
    );
    return { wheel: titleOf(one.signal), percent: Math.max(...turns), metres: one.metres };
  });
  const said = tops
    .map(({ wheel, percent, metres }) =>
      t('wheels_top', { wheel, percent: number(percent, 2), km: number(metres / 1000, 1) }),
    )
    .join(' · ');
  return (
    <>
      <ul class="row small">
        {tops.map(({ wheel, percent }, k) => (
          <li class="row" key={wheel}>
            <i class="swatch" style={{ background: traceColour(theme.value, k) }} />
            <span>{wheel}</span>
            <span class="figure">{number(percent, 2)} %</span>
          </li>
        ))}
      </ul>
      <Chart label={said} x={x} y={y}>
        {(at) => (
          <>
            {[1, 2, 3].map((order) => (
              <g key={order}>
                <rect
                  x={at.x(order * low)}
                  y={at.y(y.range.to)}
                  width={Math.max(0, Math.min(at.x(order * high), at.x(x.range.to)) - at.x(order * low))}
                  height={at.y(0) - at.y(y.range.to)}
                  fill="var(--ink)"
                  fill-opacity={order === 1 ? 0.1 : 0.04}
                />
                {order * low < x.range.to && (
                  <text
                    class="narrow"
                    x={at.x(order * low) + 4}
                    y={at.y(y.range.to) + 14}
                    font-size="13"
                    fill="var(--ink-2)"
                  >
                    {t(`wheels_turn_${order as 1 | 2 | 3}`)}
                  </text>
                )}
              </g>
            ))}
            <path
              d={`M${at.x(x.range.from)} ${at.y(wheels.tolerance_percent)}H${at.x(x.range.to)}`}
              stroke="var(--sound)"
              stroke-width="2"
              stroke-dasharray="8 4"
            />
            {other?.spectra.map((one) => {
              const own = spectra.findIndex((it) => it.signal === one.signal);
              return <Line key={one.signal} one={one} at={at} place={Math.max(own, 0)} isOther />;
            })}
            {spectra.map((one, place) => (
              <Line key={one.signal} one={one} at={at} place={place} />
            ))}
          </>
        )}
      </Chart>
      <p class="quiet small">{t('wheels_legend')}</p>
    </>
  );
}

function Line(props: { one: WheelSpectrum; at: Places; place: number; isOther?: boolean }) {
  const { one, at, place, isOther } = props;
  return (
    <path
      d={linePath(
        one.per_m.map((per_m, k) => [per_m, one.percent[k]!] as const),
        at,
      )}
      fill="none"
      stroke={traceColour(theme.value, place)}
      stroke-width="1.500"
      stroke-dasharray={isOther ? '3 3' : undefined}
    />
  );
}
