/** A picture with two axes, as wide as there is room, in the colours of the page. */

import type { ComponentChildren } from 'preact';
import { useEffect, useRef, useState } from 'preact/hooks';
import { digits } from '../text';
import { digitsOf, niceStep, type Range, ticks } from '../trace/scale';

export interface Axis {
  range: Range;
  label: string;
  /** An axis that means nothing has a label alone. */
  isEmpty?: boolean;
}

/** Where values lie on the picture, px. */
export interface Places {
  x(value: number): number;
  y(value: number): number;
}

interface Props {
  /** What the picture shows, for those who do not see it. */
  label: string;
  x: Axis;
  y: Axis;
  children: (at: Places) => ComponentChildren;
}

/** Room for values and names of the axes, px. */
const [LEFT, BELOW, ABOVE, RIGHT] = [58, 44, 10, 12];

export function Chart(props: Props) {
  const box = useRef<HTMLDivElement>(null);
  const [size, setSize] = useState({ width: 0, height: 0 });
  useEffect(() => {
    const element = box.current!;
    const look = () => {
      const { clientWidth: width, clientHeight: height } = element;
      setSize((was) => (was.width === width && was.height === height ? was : { width, height }));
    };
    const watch = new ResizeObserver(look);
    watch.observe(element);
    return () => watch.disconnect();
  }, []);
  const [right, floor] = [size.width - RIGHT, size.height - BELOW];
  const share = (value: number, { from, to }: Range) => (value - from) / (to - from || 1);
  const at: Places = {
    x: (value) => LEFT + share(value, props.x.range) * (right - LEFT),
    y: (value) => floor - share(value, props.y.range) * (floor - ABOVE),
  };
  return (
    <div ref={box} class="chart">
      {right > LEFT && floor > ABOVE && (
        <svg width={size.width} height={size.height} role="img" aria-label={props.label}>
          <Strokes {...props} at={at} right={right} floor={floor} />
          {props.children(at)}
          <path d={`M${LEFT} ${ABOVE}V${floor}H${right}`} fill="none" stroke="var(--rule-strong)" />
        </svg>
      )}
    </div>
  );
}

function Strokes(props: Props & { at: Places; right: number; floor: number }) {
  const { x, y, at, right, floor } = props;
  const [nx, ny] = [Math.max(2, Math.floor((right - LEFT) / 80)), Math.max(2, Math.floor(floor / 44))];
  const text = (value: number, axis: Axis, n: number) =>
    digits(value.toFixed(digitsOf(niceStep(axis.range.to - axis.range.from, n))));
  return (
    <g class="narrow" fill="var(--ink-2)" font-size="13">
      {ticks(x.range, nx).map((value) => (
        <g key={value}>
          <path d={`M${at.x(value)} ${ABOVE}V${floor + 4}`} stroke="var(--rule)" />
          <text x={at.x(value)} y={floor + 18} text-anchor="middle">
            {text(value, x, nx)}
          </text>
        </g>
      ))}
      {(y.isEmpty ? [] : ticks(y.range, ny)).map((value) => (
        <g key={value}>
          <path d={`M${LEFT - 4} ${at.y(value)}H${right}`} stroke="var(--rule)" />
          <text x={LEFT - 8} y={at.y(value) + 4} text-anchor="end">
            {text(value, y, ny)}
          </text>
        </g>
      ))}
      <text x={right} y={floor + 36} text-anchor="end">
        {x.label}
      </text>
      <text transform={`translate(13 ${ABOVE}) rotate(-90)`} text-anchor="end">
        {y.label}
      </text>
    </g>
  );
}

/** A line through points. */
export function linePath(points: readonly (readonly [number, number])[], at: Places): string {
  return points
    .map(([x, y], k) => `${k === 0 ? 'M' : 'L'}${at.x(x).toFixed(1)} ${at.y(y).toFixed(1)}`)
    .join('');
}
