/** One drive: overview, detail, pictures, and findings beside them. */

import { useEffect, useMemo, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { DriveSummary, ExaminedJson, Finding } from '../../api/types';
import { bind } from '../../app/keys';
import { titleOf } from '../../app/lists';
import { spanOf } from '../../app/router';
import { tried } from '../../app/state';
import { unitSystem } from '../../app/theme';
import { useReturn } from '../../parts/use-answer';
import { clock, count, language, t, unitShown } from '../../text';
import { Board, BoardView } from '../../trace/board';
import { Cursors } from '../../trace/cursors';
import { DriveData } from '../../trace/drive-data';
import { Layouts } from '../../trace/layouts';
import type { Band, Trace } from '../../trace/plot';
import { around } from '../../trace/view';
import { FindingList } from './findings';
import { HealthyView } from './healthy';
import { type Other, OtherBar, useOther } from './other';
import { Overview } from './overview';
import { PictureView, picturesOf, type Shows, ViewChoice } from './pictures';
import { PinButton } from './pin';
import { firstChoice } from './signals';

export function DriveView({ id }: { id: string }) {
  const [drive, setDrive] = useState<DriveSummary | null>(null);
  const [isLost, setLost] = useState(false);
  const [examined, setExamined] = useState<ExaminedJson | null>(null);
  const path = `/drives/${encodeURIComponent(id)}`;
  const open = () => {
    setLost(false);
    void tried(get<DriveSummary>(path)).then((got) => (got ? setDrive(got) : setLost(true)));
  };
  useEffect(open, [path]);
  useReturn(() => isLost && open());
  // Why is told above.
  if (isLost) return null;
  if (!drive) {
    return (
      <p class="place quiet" role="status">
        {t('review_opening')}
      </p>
    );
  }
  // The checks begin once there is something to look at.
  const reader = `language=${language.value}&units=${unitSystem.value}`;
  const drawn = () =>
    void tried(get<ExaminedJson>(`${path}/examined?${reader}`)).then((got) => got && setExamined(got));
  return <Opened id={id} drive={drive} examined={examined} drawn={drawn} />;
}

/** Which finding, and which of its spans, is being looked at. */
interface Chosen {
  finding: number;
  span: number;
}

interface OpenedProps {
  id: string;
  drive: DriveSummary;
  examined: ExaminedJson | null;
  drawn: () => void;
}

function Opened({ id, drive, examined, drawn }: OpenedProps) {
  const board = useMemo(() => new Board(), []);
  const [, setVersion] = useState(0);
  const changed = () => setVersion((n) => n + 1);
  const whole = useMemo(() => ({ from: 0, to: Math.max(drive.duration_s, 0.01) }), [drive]);
  const data = useMemo(() => new DriveData(id, whole, changed), [id, whole]);
  const findings = useMemo(() => examined?.findings ?? [], [examined]);
  const [shownIds, setShownIds] = useState<string[] | null>(null);
  const [chosen, setChosen] = useState<Chosen | null>(null);
  const [layout, setLayout] = useState<Board['layout']>('stacked');
  const [choosing, setChoosing] = useState(false);
  const [shows, setShows] = useState<Shows>('traces');
  const ids = shownIds ?? firstChoice(drive, findings);
  const key = ids.join();
  const other = useOther({ drive, data }, ids, board, changed);

  useEffect(() => {
    board.whole = whole;
    board.look(whole);
    const jump = () => {
      const span = spanOf(location.hash);
      if (span) board.look(around(span, whole));
    };
    jump();
    window.addEventListener('hashchange', jump);
    return () => window.removeEventListener('hashchange', jump);
  }, [board, whole]);
  const choosePlaces = () => {
    const places = ids.map((one) => placeOf(drive, one)).filter((place) => place >= 0);
    void tried(
      data.choose(places, board.width).then(() => {
        if (!examined) drawn();
      }),
    );
  };
  useEffect(choosePlaces, [data, key]);
  useReturn(() => (data.isMissing || !examined) && choosePlaces());
  useEffect(() => board.view.subscribe((view) => data.look(view, board.width)), [board, data]);

  board.layout = layout;
  board.traces = ids.flatMap((one, index) => [
    ...tracesOf(one, index, drive, data),
    ...tracesOfOther(one, index, other.shown),
  ]);
  board.bands = useMemo(() => bands(drive, findings, chosen), [drive, findings, chosen]);
  board.marks = drive.marks;
  board.dirty();

  const choose = (finding: number, span: number) => {
    const one = findings[finding];
    if (!one) return;
    setChosen({ finding, span });
    setShows('traces');
    const missing = one.subject.filter((name) => placeOf(drive, name) >= 0 && !ids.includes(name));
    if (missing.length > 0) setShownIds([...missing, ...ids].slice(0, 8));
    const at = one.spans[span];
    if (at) board.look(around({ from: at.from_s, to: at.to_s }, whole));
  };
  const step = (by: number) => {
    const next = stepped(findings, chosen, by);
    if (next) choose(next.finding, next.span);
  };
  useEffect(() => bind('n', () => step(1)));
  useEffect(() => bind('p', () => step(-1)));
  const span = chosen && findings[chosen.finding]?.spans[chosen.span];

  return (
    <div class="place full review">
      <div class="bar row">
        <ViewChoice drive={drive} shows={shows} change={setShows} />
        <fieldset class="group" aria-label={t('review_jump')}>
          <button type="button" class="key slim" onClick={() => step(-1)}>
            {t('review_previous')}
          </button>
          <button type="button" class="key slim" onClick={() => step(1)}>
            {t('review_next')}
          </button>
        </fieldset>
        <button type="button" class="key slim" aria-pressed={choosing} onClick={() => setChoosing(!choosing)}>
          {count('review_signals', ids.length)}
        </button>
        <Layouts layout={layout} change={setLayout} />
        <button type="button" class="key slim" onClick={() => board.look(whole)}>
          {t('review_whole')}
        </button>
        <PinButton
          drive={id}
          board={board}
          finding={chosen && findings[chosen.finding]}
          span={span ?? null}
        />
        <OtherBar own={id} other={other} board={board} />
        <span class="quiet small grow figure end">{clock(drive.duration_s, 0)}</span>
      </div>
      {choosing && <SignalChoice drive={drive} ids={ids} change={setShownIds} />}
      <Overview board={board} drive={drive} findings={findings} />
      <div class="beside">
        {shows === 'traces' && (
          <div class="traces">
            <BoardView board={board} label={t('review_board', { n: ids.length })} />
            <Cursors board={board} traces={board.traces} />
          </div>
        )}
        {shows === 'healthy' && <HealthyView id={id} />}
        {shows !== 'traces' && shows !== 'healthy' && (
          <PictureView {...picturesOf(shows, drive, findings)} id={id} other={other.shown} />
        )}
        <FindingList examined={examined} chosen={chosen} choose={choose} />
      </div>
    </div>
  );
}

function placeOf(drive: DriveSummary, id: string): number {
  return drive.signals.findIndex((signal) => signal.id === id);
}

function tracesOf(id: string, index: number, drive: DriveSummary, data: DriveData): Trace[] {
  const place = placeOf(drive, id);
  const signal = drive.signals[place];
  if (!signal) return [];
  const [samples, coarse, reach] = [data.samples(place), data.coarseSamples(place), data.reach(place)];
  return [{ id, label: titleOf(id), unit: signal.unit, index, samples, coarse, reach }];
}

/** The same signal in the drive that is laid over this one. */
function tracesOfOther(id: string, index: number, other: Other | null): Trace[] {
  if (!other) return [];
  const label = t('review_other_trace', { what: titleOf(id) });
  return tracesOf(id, index, other.drive, other.data).map((trace) => ({
    ...trace,
    label,
    shift_s: other.shift,
  }));
}

/** The next place that was found, or the one before. */
function stepped(findings: Finding[], chosen: Chosen | null, by: number): Chosen | null {
  const all = findings.flatMap((one, finding) =>
    one.verdict === 'healthy' ? [] : one.spans.map((_, span) => ({ finding, span })),
  );
  const now = all.findIndex((one) => one.finding === chosen?.finding && one.span === chosen.span);
  return all[now < 0 ? (by > 0 ? 0 : all.length - 1) : (now + by + all.length) % all.length] ?? null;
}

function bands(drive: DriveSummary, findings: Finding[], chosen: Chosen | null): Band[] {
  const gaps: Band[] = drive.gaps.map((gap) => ({
    from: gap.from_s,
    to: gap.to_s,
    kind: 'gap',
    chosen: false,
    about: null,
  }));
  const found = findings.flatMap((finding, k) =>
    finding.verdict === 'healthy'
      ? []
      : finding.spans.map((span, j) => ({
          from: span.from_s,
          to: span.to_s,
          kind: finding.verdict as Band['kind'],
          chosen: chosen?.finding === k && chosen.span === j,
          about: finding.subject.some((name) => placeOf(drive, name) >= 0) ? finding.subject : null,
        })),
  );
  // The chosen one lies on top.
  return [...gaps, ...found.sort((a, b) => Number(a.chosen) - Number(b.chosen))];
}

function SignalChoice(props: { drive: DriveSummary; ids: string[]; change: (ids: string[]) => void }) {
  return (
    <ul class="hits ruled in-place">
      {props.drive.signals.map((signal) => {
        const has = props.ids.includes(signal.id);
        return (
          <li key={signal.id}>
            <label class="row">
              <input
                type="checkbox"
                checked={has}
                onChange={() =>
                  props.change(has ? props.ids.filter((one) => one !== signal.id) : [...props.ids, signal.id])
                }
              />
              <span class="grow">{titleOf(signal.id)}</span>
              <span class="quiet small figure">{unitShown(signal.unit)}</span>
              <span class="quiet small figure">{count('samples', signal.samples)}</span>
            </label>
          </li>
        );
      })}
    </ul>
  );
}
