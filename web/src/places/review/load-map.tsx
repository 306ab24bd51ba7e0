/** A signal over engine speed and load; a second drive beside the first in the same colours. */

import type { LoadMap, MapCell, MapRegion } from '../../api/types';
import { titleOf } from '../../app/lists';
import { Chart, type Places } from '../../parts/chart';
import { number, t, unitShown } from '../../text';
import { shown } from '../../trace/scale';

const IS_RATE = 'per 1000 firings';
/** Less than this says little: seconds, or firings. */
const LITTLE = { seconds: 3, firings: 100 };

interface Scale {
  low: number;
  high: number;
}

/** The colours span what was seen for long enough to mean something. */
export function scaleOf(maps: readonly LoadMap[]): Scale {
  const sure = maps.flatMap((map) => map.cells.filter((cell) => !isLittle(map, cell)));
  const values = (sure.length > 0 ? sure : maps.flatMap((map) => map.cells)).map((cell) => cell.value);
  if (values.length === 0) return { low: 0, high: 1 };
  const low = maps.some((map) => map.unit === IS_RATE) ? 0 : Math.min(...values);
  const high = Math.max(...values);
  return { low, high: high > low ? high : low + 1 };
}

function isLittle(map: LoadMap, cell: MapCell): boolean {
  return cell.exposure < (map.unit === IS_RATE ? LITTLE.firings : LITTLE.seconds);
}

export function LoadMaps({ map, other }: { map: LoadMap; other: LoadMap | null }) {
  const maps = other ? [map, other] : [map];
  const scale = scaleOf(maps);
  const all = maps.flatMap((one) => one.cells);
  const x = {
    range: {
      from: Math.min(...all.map((cell) => cell.rpm)),
      to: Math.max(...all.map((cell) => cell.rpm)) + map.cell_rpm,
    },
    label: `${titleOf('engine.speed')}, rpm`,
  };
  const y = {
    range: {
      from: Math.min(...all.map((cell) => cell.load)),
      to: Math.max(...all.map((cell) => cell.load)) + map.cell_load,
    },
    label: map.load ? titleOf(map.load) : t('map_no_load'),
    isEmpty: map.load === null,
  };
  const unit = map.unit === IS_RATE ? t('map_rate') : unitShown(map.unit);
  return (
    <>
      <p class="row small">
        <span>{titleOf(map.signal)}</span>
        <span class="row">
          <span class="figure">{shown(scale.low)}</span>
          <i class="ramp" aria-hidden="true" />
          <span class="figure">{shown(scale.high)}</span> {unit}
        </span>
        <span class="quiet">{t(map.unit === IS_RATE ? 'map_little_firings' : 'map_little')}</span>
      </p>
      <div class="maps">
        {maps.map((one, k) => (
          <figure key={k === 0 ? 'own' : 'other'}>
            {other && <figcaption class="label">{t(k === 0 ? 'this_drive' : 'other_drive')}</figcaption>}
            <Chart label={summary(one, unit)} x={x} y={y}>
              {(at) => (
                <>
                  {one.cells.map((cell) => (
                    <Cell
                      key={`${cell.rpm}/${cell.load}`}
                      map={one}
                      cell={cell}
                      scale={scale}
                      at={at}
                      unit={unit}
                    />
                  ))}
                  {one.region && <Region region={one.region} x={x.range} y={y.range} at={at} />}
                </>
              )}
            </Chart>
          </figure>
        ))}
      </div>
    </>
  );
}

/** The map in a sentence. */
function summary(map: LoadMap, unit: string): string {
  const sure = map.cells.filter((cell) => !isLittle(map, cell)).sort((a, b) => b.value - a.value);
  const worst = sure[0];
  if (!worst) return t('map_empty');
  return t('map_summary', {
    what: titleOf(map.signal),
    value: `${shown(worst.value)} ${unit}`,
    rpm: number(worst.rpm + map.cell_rpm / 2),
    load: number(worst.load + map.cell_load / 2),
  });
}

function Cell(props: { map: LoadMap; cell: MapCell; scale: Scale; at: Places; unit: string }) {
  const { map, cell, scale, at, unit } = props;
  const [left, right] = [at.x(cell.rpm), at.x(cell.rpm + map.cell_rpm)];
  const [top, bottom] = [at.y(cell.load + map.cell_load), at.y(cell.load)];
  const share = Math.min(Math.max((cell.value - scale.low) / (scale.high - scale.low), 0), 1);
  const fill = `color-mix(in oklab, var(--accent) ${Math.round(share * 100)}%, var(--sheet))`;
  const little = isLittle(map, cell);
  const seen = t(map.unit === IS_RATE ? 'map_firings' : 'map_seconds', { n: number(cell.exposure) });
  return (
    <g>
      <title>{`${shown(cell.value)} ${unit} · ${seen}`}</title>
      <rect
        x={left}
        y={top}
        width={right - left - 1}
        height={bottom - top - 1}
        style={{ fill: little ? 'none' : fill }}
        stroke={little ? 'var(--rule-strong)' : 'none'}
        stroke-dasharray="2 3"
      />
      {right - left > 38 && bottom - top > 18 && (
        <text
          class="narrow"
          x={(left + right) / 2}
          y={(top + bottom) / 2 + 4}
          text-anchor="middle"
          font-size="12"
          fill={!little && share > 0.5 ? 'var(--on-accent)' : 'var(--ink)'}
        >
          {shown(cell.value)}
        </text>
      )}
    </g>
  );
}

interface Ends {
  from: number;
  to: number;
}

function Region({ region, x, y, at }: { region: MapRegion; x: Ends; y: Ends; at: Places }) {
  const inside = (value: number | null, open: number, range: Ends) =>
    value === null ? open : Math.min(Math.max(value, range.from), range.to);
  const [left, right] = [at.x(inside(region.from_rpm, x.from, x)), at.x(inside(region.to_rpm, x.to, x))];
  const [top, bottom] = [at.y(inside(region.to_load, y.to, y)), at.y(inside(region.from_load, y.from, y))];
  return (
    <rect
      x={left}
      y={top}
      width={right - left}
      height={bottom - top}
      fill="none"
      stroke="var(--fault)"
      stroke-width="3"
    >
      <title>{t('map_region')}</title>
    </rect>
  );
}
