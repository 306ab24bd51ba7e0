/** The drive beside those of healthy cars of its model: what was usual in the same conditions, and where it lies. */

import { useState } from 'preact/hooks';
import type { Bounds, CellReferred, Compared, ReferenceCompared, SignalReferred } from '../../api/types';
import { openCase, titleOf } from '../../app/lists';
import { useAnswer } from '../../parts/use-answer';
import { count, number, t, unitShown, word } from '../../text';
import { said } from '../../text/said';
import { shown } from '../../trace/scale';
import { KeepAsHealthy } from './keep-healthy';

export function HealthyView({ id }: { id: string }) {
  const [typed, setTyped] = useState<string | null>(null);
  const [asked, setAsked] = useState<string | null>(null);
  const ofCase = openCase.value?.case.vehicle.model ?? '';
  const model = (asked ?? ofCase).trim();
  const compared = useCompared(id, model);
  return (
    <div class="picture rows">
      <div class="row level">
        <form
          class="row level grow"
          onSubmit={(event) => {
            event.preventDefault();
            setAsked(typed ?? ofCase);
          }}
        >
          <label class="field grow">
            <span class="label">{t('healthy_model')}</span>
            <input
              required
              value={typed ?? ofCase}
              onInput={(event) => setTyped(event.currentTarget.value)}
            />
          </label>
          <button type="submit" class="key">
            {t('healthy_compare')}
          </button>
        </form>
        <KeepAsHealthy drive={id} model={typed ?? ofCase} />
      </div>
      <div class="rows" role="status">
        {!model && <p class="quiet">{t('healthy_no_model')}</p>}
        {model && compared === undefined && <p class="quiet">{t('compared_busy')}</p>}
        {model && compared === null && <p>{t('healthy_none', { model })}</p>}
        {compared?.problems.map((problem) => (
          <p class="trouble" key={problem}>
            {said(problem)}
          </p>
        ))}
      </div>
      {compared?.reference && <Standing reference={compared.reference} />}
    </div>
  );
}

/** What came of the comparison: undefined until it is there, null where there is nothing to compare with. */
function useCompared(id: string, model: string): Compared | null | undefined {
  const of = model ? `/drives/${encodeURIComponent(id)}/healthy?model=${encodeURIComponent(model)}` : null;
  // A drive that is kept as a healthy one changes what there is to compare with.
  return useAnswer<Compared | null>(of, openCase.value?.entries.length);
}

const outside = (signal: SignalReferred) => signal.cells.filter((cell) => cell.verdict === 'outside').length;

function Standing({ reference }: { reference: ReferenceCompared }) {
  const out = reference.signals
    .filter((signal) => outside(signal) > 0)
    .sort((a, b) => outside(b) - outside(a));
  const rest = reference.signals.filter((signal) => outside(signal) === 0);
  return (
    <section class="rows" aria-label={t('shows_healthy')}>
      <p class="label">{count('healthy_of', reference.references.length, { model: reference.model })}</p>
      <p class="small">{said(reference.caution)}</p>
      {out.length === 0 && <p>{t('healthy_nothing_outside')}</p>}
      {out.map((signal) => (
        <article class="sheet rows tight" key={signal.id}>
          <h3>{titleOf(signal.id)}</h3>
          <p class="small">{said(signal.statement)}</p>
          <Cells signal={signal} />
        </article>
      ))}
      {rest.map((signal) => (
        <details class="sheet" key={signal.id}>
          <summary>{titleOf(signal.id)}</summary>
          <p class="small">{said(signal.statement)}</p>
          <Cells signal={signal} />
        </details>
      ))}
      {reference.without_reference.length > 0 && (
        <p class="quiet small">
          {t('healthy_without', { which: reference.without_reference.map(titleOf).join(', ') })}
        </p>
      )}
      <p class="quiet small">{t('healthy_legend')}</p>
    </section>
  );
}

/** What is to be read first. */
const RANKS = ['outside', 'as the healthy ones', 'too little'];

/** The conditions that both were in. */
function Cells({ signal }: { signal: SignalReferred }) {
  const cells = signal.cells.filter((cell) => cell.reference.length > 0 && cell.median !== null);
  cells.sort((a, b) => RANKS.indexOf(a.verdict) - RANKS.indexOf(b.verdict));
  return (
    <ul class="rows tight">
      {cells.map((cell) => (
        <Spread key={place(cell.bounds)} cell={cell} unit={unitShown(signal.unit)} />
      ))}
    </ul>
  );
}

/** One condition, on a scale of its own: what is usual differs too much from one to the next. */
function Spread({ cell, unit }: { cell: CellReferred; unit: string }) {
  const [least, low, middle, high, most] = cell.reference as [number, number, number, number, number];
  const [from, to] = [Math.min(least, cell.median!), Math.max(most, cell.median!)];
  const at = (value: number) => (to > from ? (100 * (value - from)) / (to - from) : 50);
  const bar = (from: number, to: number) => ({ left: `${at(from)}%`, width: `${at(to) - at(from)}%` });
  return (
    <li class="spread-row" data-verdict={cell.verdict}>
      <span class="small">{place(cell.bounds)}</span>
      <span class="spread" aria-hidden="true">
        <i class="nine-in-ten" style={bar(least, most)} />
        <i class="half" style={bar(low, high)} />
        <i class="middle" style={{ left: `${at(middle)}%` }} />
        <i class="own" style={{ left: `${at(cell.median!)}%` }} />
      </span>
      <span class="small">
        <strong>{word('against', cell.verdict)}</strong>{' '}
        <span class="figure">
          {t('healthy_usual', {
            value: `${shown(cell.median!)} ${unit}`.trim(),
            low: shown(least),
            high: `${shown(most)} ${unit}`.trim(),
          })}
        </span>
      </span>
    </li>
  );
}

/** A condition in words of the reader. */
function place(bounds: readonly Bounds[]): string {
  if (bounds.length === 0) return t('healthy_whole');
  return bounds
    .map(({ signal, unit, from, to }) => {
      const ends =
        from === null
          ? `< ${number(to ?? 0)}`
          : to === null
            ? `≥ ${number(from)}`
            : `${number(from)} – ${number(to)}`;
      return `${titleOf(signal)} ${ends} ${unitShown(unit)}`.trim();
    })
    .join(' · ');
}
