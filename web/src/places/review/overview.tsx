/** The whole drive in a narrow band: where the detail is, and where something was found. */

import { useRef } from 'preact/hooks';
import type { DriveSummary, Finding } from '../../api/types';
import { clock, t } from '../../text';
import type { Board } from '../../trace/board';
import { clamp } from '../../trace/view';

export function Overview({
  board,
  drive,
  findings,
}: {
  board: Board;
  drive: DriveSummary;
  findings: Finding[];
}) {
  const strip = useRef<HTMLDivElement>(null);
  const { from, to } = board.view.value;
  const length = Math.max(drive.duration_s, 0.01);
  const share = (seconds: number) => `${(seconds / length) * 100}%`;
  const centre = (event: PointerEvent) => {
    const box = strip.current!.getBoundingClientRect();
    const at = ((event.clientX - box.left) / box.width) * length;
    board.look(clamp({ from: at - (to - from) / 2, to: at + (to - from) / 2 }, board.whole));
  };
  return (
    <div
      ref={strip}
      class="overview"
      role="img"
      aria-label={t('review_overview', { from: clock(from), to: clock(to) })}
      onPointerDown={(event) => {
        strip.current!.setPointerCapture(event.pointerId);
        centre(event);
      }}
      onPointerMove={(event) => {
        if (strip.current!.hasPointerCapture(event.pointerId)) centre(event);
      }}
    >
      {drive.gaps.map((gap) => (
        <i
          key={gap.from_s}
          class="gap"
          style={{ left: share(gap.from_s), width: share(gap.to_s - gap.from_s) }}
        />
      ))}
      {findings.flatMap((finding, k) =>
        finding.verdict === 'healthy'
          ? []
          : finding.spans
              .slice(0, 400)
              .map((span) => (
                <i
                  key={`${k}/${span.from_s}`}
                  class={`at ${finding.verdict}`}
                  style={{ left: share(span.from_s), width: share(span.to_s - span.from_s) }}
                />
              )),
      )}
      {drive.marks.map((mark) => (
        <i key={mark.t_s} class="flag" style={{ left: share(mark.t_s) }} />
      ))}
      <i class="window" style={{ left: share(from), width: share(to - from) }} />
    </div>
  );
}
