/** The whole drive in a narrow band: where the detail is, and where something was found. */

import { useMemo, useRef } from 'preact/hooks';
import type { DriveSummary, Finding } from '../../api/types';
import { clock, t } from '../../text';
import type { Board } from '../../trace/board';
import { clamp } from '../../trace/view';

interface Props {
  board: Board;
  drive: DriveSummary;
  findings: Finding[];
}

/** Most places of one finding that are drawn: more would be less than a pixel apart. */
const SHOWN = 400;

const share = (seconds: number, drive: DriveSummary) =>
  `${(seconds / Math.max(drive.duration_s, 0.01)) * 100}%`;

export function Overview({ board, drive, findings }: Props) {
  const strip = useRef<HTMLDivElement>(null);
  const centre = (event: PointerEvent) => {
    const box = strip.current!.getBoundingClientRect();
    const at = ((event.clientX - box.left) / box.width) * drive.duration_s;
    const half = (board.view.value.to - board.view.value.from) / 2;
    board.look(clamp({ from: at - half, to: at + half }, board.whole));
  };
  // What does not move is made once: the window moves with every frame of a pan.
  const still = useMemo(() => <Still drive={drive} findings={findings} />, [drive, findings]);
  return (
    <div
      ref={strip}
      class="overview"
      onPointerDown={(event) => {
        strip.current!.setPointerCapture(event.pointerId);
        centre(event);
      }}
      onPointerMove={(event) => {
        if (strip.current!.hasPointerCapture(event.pointerId)) centre(event);
      }}
    >
      {still}
      <Shown board={board} drive={drive} />
    </div>
  );
}

/** What is looked at. */
function Shown({ board, drive }: { board: Board; drive: DriveSummary }) {
  const { from, to } = board.view.value;
  return (
    <i
      class="window"
      role="img"
      aria-label={t('review_overview', { from: clock(from), to: clock(to) })}
      style={{ left: share(from, drive), width: share(to - from, drive) }}
    />
  );
}

function Still({ drive, findings }: { drive: DriveSummary; findings: Finding[] }) {
  const at = (span: { from_s: number; to_s: number }) => ({
    left: share(span.from_s, drive),
    width: share(span.to_s - span.from_s, drive),
  });
  return (
    <>
      {drive.gaps.map((gap) => (
        <i key={gap.from_s} class="gap" style={at(gap)} />
      ))}
      {findings.flatMap((finding, k) =>
        finding.verdict === 'healthy'
          ? []
          : finding.spans
              .slice(0, SHOWN)
              .map((span) => (
                <i key={`${k}/${span.from_s}`} class={`at ${finding.verdict}`} style={at(span)} />
              )),
      )}
      {drive.marks.map((mark) => (
        <i key={mark.t_s} class="flag" style={{ left: share(mark.t_s, drive) }} />
      ))}
    </>
  );
}
