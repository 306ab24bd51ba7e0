/** Swap board: the cylinders in a row, and the parts that can change places between them. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { CaseShown, SwapJudged } from '../../api/types';
import { enter, openCase, openNumber } from '../../app/lists';
import { tried } from '../../app/state';
import { number, t, word } from '../../text';
import { said } from '../../text/said';
import { cylinders, outcomes, parts, seats } from './placement';
import { Replace } from './replace';

/** A part that is held: its kind and the cylinder it is taken from. */
interface Held {
  part: string;
  from: number;
}

export function Swap() {
  const shown = openCase.value;
  if (!shown) {
    return (
      <div class="place">
        <h1>{t('place_swap')}</h1>
        <p class="quiet">{t('swap_no_case')}</p>
      </div>
    );
  }
  // What is held and what was judged is of one case.
  return <Board key={shown.case.uid} shown={shown} />;
}

function Board({ shown }: { shown: CaseShown }) {
  const [held, setHeld] = useState<Held | null>(null);
  const [judged, setJudged] = useState<SwapJudged | null>(null);
  const [isJudging, setJudging] = useState(false);
  const n = cylinders(shown);
  const all = Array.from({ length: n }, (_, k) => k + 1);
  const put = async (part: string, to: number) => {
    const from = held?.part === part ? held.from : null;
    if (from === null) return setHeld({ part, from: to });
    setHeld(null);
    if (from !== to) await enter({ kind: 'swap', part, from, to });
  };
  const verdict = judged ?? kept(shown.entries);
  const meanings = outcomes(shown, n);
  return (
    <div class="place">
      <div class="rows">
        <h1>{t('place_swap')}</h1>
        <p class="measure quiet">{t('swap_how')}</p>
        <div class="swap-board" style={{ '--n': n }}>
          <span class="label">{t('swap_cylinder')}</span>
          {all.map((cylinder) => (
            <strong key={cylinder} class="bore figure">
              {cylinder}
            </strong>
          ))}
          {parts.map((part) => [
            <span key={part} class="label">
              {word('part', part)}
            </span>,
            ...seats(shown, part, n).map((sits, k) => {
              const cylinder = k + 1;
              const isHeld = held?.part === part && held.from === cylinder;
              return (
                <button
                  type="button"
                  key={`${part}${cylinder}`}
                  class={`seat ${sits === cylinder ? '' : 'moved'}`}
                  aria-pressed={isHeld}
                  draggable
                  onDragStart={(event) => {
                    event.dataTransfer?.setData('text/plain', part);
                    setHeld({ part, from: cylinder });
                  }}
                  onDragOver={(event) => {
                    if (held?.part === part) event.preventDefault();
                  }}
                  onDrop={(event) => {
                    event.preventDefault();
                    void put(part, cylinder);
                  }}
                  onDragEnd={() => setHeld(null)}
                  onClick={() => void put(part, cylinder)}
                  onKeyDown={(event) => {
                    if (event.key === 'Escape') setHeld(null);
                    const step = event.key === 'ArrowRight' ? 1 : event.key === 'ArrowLeft' ? -1 : 0;
                    if (step === 0) return;
                    event.preventDefault();
                    const row = [
                      ...event.currentTarget.parentElement!.querySelectorAll<HTMLElement>('.seat'),
                    ];
                    row[row.indexOf(event.currentTarget) + step]?.focus();
                  }}
                >
                  <span class="small">{word('part', part)}</span> <strong class="figure">{sits}</strong>
                  <span class="unseen"> {t('swap_seat', { cylinder })}</span>
                </button>
              );
            }),
          ])}
        </div>
        <p role="status">{held ? t('swap_held', { part: word('part', held.part), from: held.from }) : ' '}</p>
        <div class="row">
          <button
            type="button"
            class="key"
            onClick={() => void enter({ kind: 'swap-undone', mistaken: false })}
          >
            {t('swap_back')}
          </button>
          <button
            type="button"
            class="key"
            onClick={() => void enter({ kind: 'swap-undone', mistaken: true })}
          >
            {t('swap_mistaken')}
          </button>
        </div>
        {meanings.length > 0 && (
          <section class="rows tight measure" aria-label={t('swap_meanings')}>
            <h2>{t('swap_meanings')}</h2>
            <ul class="plain">
              {meanings.map(({ cylinder, carries }) => (
                <li key={cylinder}>{t('swap_means', { cylinder, carries: carries.map(said).join(', ') })}</li>
              ))}
              <li>{t('swap_means_stays')}</li>
            </ul>
          </section>
        )}
        <Replace key={openNumber()} cylinders={all} />
        <section class="rows tight measure" aria-label={t('swap_verdict')}>
          <div class="row apart">
            <h2>{t('swap_verdict')}</h2>
            <button
              type="button"
              class="key main"
              disabled={isJudging}
              onClick={async () => {
                setJudging(true);
                const got = await tried(send<SwapJudged>('POST', '/case/swap-verdict'));
                setJudging(false);
                if (got) setJudged(got);
              }}
            >
              {isJudging ? t('swap_judging') : t('swap_judge')}
            </button>
          </div>
          {verdict && (
            <>
              <p>
                <strong class={verdict.decided ? 'faulty' : 'undecided'}>{said(verdict.statement)}</strong>
              </p>
              <ol class="rows tight">
                {verdict.hypotheses.slice(0, 6).map((one) => (
                  <li key={one.fault}>
                    <span class="row apart">
                      <span>{said(word('fault', one.fault))}</span>
                      <strong class="figure">
                        {number(one.probability * 100, one.probability < 0.01 ? 1 : 0)} %
                      </strong>
                    </span>
                    <span class="likely" aria-hidden="true">
                      <i style={{ width: `${one.probability * 100}%` }} />
                    </span>
                  </li>
                ))}
              </ol>
              <ul class="plain">
                {verdict.next.map((line) => (
                  <li key={line}>{said(line)}</li>
                ))}
              </ul>
            </>
          )}
        </section>
      </div>
    </div>
  );
}

/** The last verdict that the ledger keeps. */
function kept(entries: CaseShown['entries']): SwapJudged | null {
  const last = entries.findLast((entry) => entry.content.kind === 'swap-verdict');
  return last?.content.kind === 'swap-verdict' ? last.content.verdict : null;
}
