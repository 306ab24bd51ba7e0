/** One drive: overview, detail, and findings beside it. */

import { useEffect, useMemo, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { DriveSummary, Examined, Finding } from '../../api/types';
import { bind } from '../../app/keys';
import { titleOf } from '../../app/lists';
import { tried } from '../../app/state';
import { clock, count, t } from '../../text';
import { Board, BoardView } from '../../trace/board';
import { DriveData } from '../../trace/drive-data';
import type { Band } from '../../trace/plot';
import { shown } from '../../trace/scale';
import { nearest } from '../../trace/series';
import { around } from '../../trace/view';
import { Layouts } from '../live/index';
import { FindingList } from './findings';
import { Overview } from './overview';
import { firstChoice } from './signals';

export function DriveView({ id }: { id: string }) {
  const [drive, setDrive] = useState<DriveSummary | null>(null);
  const [examined, setExamined] = useState<Examined | null>(null);
  useEffect(() => {
    const path = `/drives/${encodeURIComponent(id)}`;
    void tried(get<DriveSummary>(path)).then((got) => got && setDrive(got));
    void tried(get<Examined>(`${path}/examined`)).then((got) => got && setExamined(got));
  }, [id]);
  if (!drive) {
    return (
      <p class="place quiet" role="status">
        {t('review_opening')}
      </p>
    );
  }
  return <Opened id={id} drive={drive} examined={examined} />;
}

/** Which finding, and which of its spans, is being looked at. */
interface Chosen {
  finding: number;
  span: number;
}

function Opened({ id, drive, examined }: { id: string; drive: DriveSummary; examined: Examined | null }) {
  const board = useMemo(() => new Board(), []);
  const [, setVersion] = useState(0);
  const whole = useMemo(() => ({ from: 0, to: Math.max(drive.duration_s, 0.01) }), [drive]);
  const data = useMemo(() => new DriveData(id, whole, () => setVersion((n) => n + 1)), [id, whole]);
  const findings = useMemo(() => examined?.findings ?? [], [examined]);
  const [shownIds, setShownIds] = useState<string[] | null>(null);
  const [chosen, setChosen] = useState<Chosen | null>(null);
  const [layout, setLayout] = useState<Board['layout']>('stacked');
  const [choosing, setChoosing] = useState(false);
  const ids = shownIds ?? firstChoice(drive, findings);
  const key = ids.join();

  useEffect(() => {
    board.whole = whole;
    board.look(whole);
  }, [board, whole]);
  useEffect(() => {
    const places = ids
      .map((one) => drive.signals.findIndex((signal) => signal.id === one))
      .filter((place) => place >= 0);
    void tried(data.choose(places, board.width).then(() => data.look(board.view.value, board.width)));
  }, [data, key]);
  useEffect(() => board.view.subscribe((view) => data.look(view, board.width)), [board, data]);

  board.layout = layout;
  board.traces = ids.flatMap((one, index) => {
    const place = drive.signals.findIndex((signal) => signal.id === one);
    const signal = drive.signals[place];
    if (!signal) return [];
    return [
      {
        id: one,
        label: titleOf(one),
        unit: signal.unit,
        index,
        samples: data.samples(place),
        coarse: data.coarseSamples(place),
      },
    ];
  });
  board.bands = useMemo(() => bands(drive, findings, chosen), [drive, findings, chosen]);
  board.marks = drive.marks;
  board.dirty();

  const choose = (finding: number, span: number) => {
    const one = findings[finding];
    if (!one) return;
    setChosen({ finding, span });
    const missing = one.subject.filter(
      (name) => drive.signals.some((signal) => signal.id === name) && !ids.includes(name),
    );
    if (missing.length > 0) setShownIds([...missing, ...ids].slice(0, 8));
    const at = one.spans[span];
    if (at) board.look(around({ from: at.from_s, to: at.to_s }, whole));
  };
  const step = (by: number) => {
    const all = findings.flatMap((one, finding) =>
      one.verdict === 'healthy' ? [] : one.spans.map((_, span) => ({ finding, span })),
    );
    if (all.length === 0) return;
    const now = all.findIndex((one) => one.finding === chosen?.finding && one.span === chosen.span);
    const next = all[now < 0 ? (by > 0 ? 0 : all.length - 1) : (now + by + all.length) % all.length]!;
    choose(next.finding, next.span);
  };
  useEffect(() => bind('n', () => step(1)));
  useEffect(() => bind('p', () => step(-1)));

  return (
    <div class="place full review">
      <div class="bar row">
        <button type="button" class="key slim" aria-pressed={choosing} onClick={() => setChoosing(!choosing)}>
          {count('review_signals', ids.length)}
        </button>
        <Layouts layout={layout} change={setLayout} />
        <fieldset class="group" aria-label={t('review_jump')}>
          <button type="button" class="key slim" onClick={() => step(-1)}>
            {t('review_previous')}
          </button>
          <button type="button" class="key slim" onClick={() => step(1)}>
            {t('review_next')}
          </button>
        </fieldset>
        <button type="button" class="key slim" onClick={() => board.look(whole)}>
          {t('review_whole')}
        </button>
        <span class="quiet small grow figure end">{clock(drive.duration_s, 0)}</span>
      </div>
      {choosing && <SignalChoice drive={drive} ids={ids} change={setShownIds} />}
      <Overview board={board} drive={drive} findings={findings} />
      <div class="beside">
        <div class="traces">
          <BoardView board={board} label={t('review_board', { n: ids.length })} />
          <Cursors board={board} />
        </div>
        <FindingList examined={examined} chosen={chosen} choose={choose} />
      </div>
    </div>
  );
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
          about: finding.subject.some((name) => drive.signals.some((signal) => signal.id === name))
            ? finding.subject
            : null,
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
              <span class="quiet small figure">{signal.unit}</span>
              <span class="quiet small figure">{count('samples', signal.samples)}</span>
            </label>
          </li>
        );
      })}
    </ul>
  );
}

/** Values at the cursors, and the time between them; also for those who do not see the picture. */
function Cursors({ board }: { board: Board }) {
  const [a, b] = board.cursors.value;
  if (a === null) return <p class="quiet small hint">{t('cursor_hint')}</p>;
  return (
    <div class="cursors" role="status">
      <span class="figure">
        A {clock(a, 3)}
        {b !== null && ` · B ${clock(b, 3)} · ${t('cursor_difference', { s: Math.abs(b - a).toFixed(3) })}`}
      </span>
      <ul class="row">
        {board.traces.map((trace) => {
          const at = nearest(trace.samples, a);
          const other = b === null ? null : nearest(trace.samples, b);
          return (
            <li key={trace.id}>
              <span class="label">{trace.label}</span>{' '}
              <span class="figure">
                {at ? shown(at.v) : '–'}
                {other && ` → ${shown(other.v)}`} {trace.unit === '1' ? '' : trace.unit}
              </span>
            </li>
          );
        })}
      </ul>
    </div>
  );
}
