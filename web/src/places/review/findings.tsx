/** The findings of a drive beside its traces. */

import { useEffect, useRef } from 'preact/hooks';
import type { ExaminedJson, Finding } from '../../api/types';
import { named, titleOf } from '../../app/lists';
import { Balance, odds, Verdict } from '../../parts/verdict';
import { clock, count, t, word } from '../../text';
import { said } from '../../text/said';

/** Most places of one finding that are listed. */
const SHOWN = 12;

export function FindingList(props: {
  examined: ExaminedJson | null;
  chosen: { finding: number; span: number } | null;
  choose: (finding: number, span: number) => void;
}) {
  if (!props.examined) {
    return (
      <p class="findings quiet" role="status">
        {t('review_examining')}
      </p>
    );
  }
  const { findings, plain, problems } = props.examined;
  const of = (verdict: string) =>
    findings.map((finding, k) => ({ finding, k })).filter((one) => one.finding.verdict === verdict);
  const healthy = of('healthy');
  return (
    <section class="findings" aria-label={t('findings')}>
      {problems.map((problem) => (
        <p class="trouble" key={problem}>
          {said(problem)}
        </p>
      ))}
      {findings.length === 0 && <p class="quiet">{t('findings_none')}</p>}
      {['faulty', 'undecided'].map((verdict) =>
        of(verdict).map(({ finding, k }) => (
          <One
            key={k}
            finding={finding}
            plain={plain[k]}
            chosen={props.chosen?.finding === k ? props.chosen.span : null}
            choose={(span) => props.choose(k, span)}
          />
        )),
      )}
      {healthy.length > 0 && (
        <details>
          <summary>{count('findings_healthy', healthy.length)}</summary>
          {healthy.map(({ finding, k }) => (
            <One
              key={k}
              finding={finding}
              plain={plain[k]}
              chosen={null}
              choose={(span) => props.choose(k, span)}
            />
          ))}
        </details>
      )}
    </section>
  );
}

interface OneProps {
  finding: Finding;
  /** The finding in plain words of the reader's language. */
  plain: string | undefined;
  chosen: number | null;
  choose: (span: number) => void;
}

function One(props: OneProps) {
  const { finding, chosen } = props;
  const place = useRef<HTMLElement>(null);
  useEffect(() => {
    if (chosen !== null) place.current?.scrollIntoView({ block: 'nearest' });
  }, [chosen]);
  return (
    <article ref={place} class={`finding ${finding.verdict}-edge`} data-chosen={chosen !== null}>
      <div class="row apart">
        <h3>
          {word('kind', finding.kind)} <span class="quiet">{finding.subject.map(titleOf).join(', ')}</span>
        </h3>
        <Verdict said={finding.verdict} />
      </div>
      <Balance log10={finding.log10_odds} />
      <p class="small">{odds(finding.log10_odds)}</p>
      {props.plain && <p>{props.plain}</p>}
      <p class="small">{named(said(finding.statement))}</p>
      {finding.spans.length > 0 && (
        <ul class="row" aria-label={t('findings_where')}>
          {finding.spans.slice(0, SHOWN).map((span, k) => (
            <li key={`${k}/${span.from_s}`}>
              <button
                type="button"
                class="key slim"
                aria-pressed={chosen === k}
                onClick={() => props.choose(k)}
              >
                <span class="figure">{clock(span.from_s)}</span>
              </button>
            </li>
          ))}
          {finding.spans.length > SHOWN && (
            <li class="quiet small">{count('findings_more', finding.spans.length - SHOWN)}</li>
          )}
        </ul>
      )}
      {finding.alternatives.length > 0 && (
        <details>
          <summary>{t('findings_alternatives')}</summary>
          <ul class="plain">
            {finding.alternatives.map((line) => (
              <li key={line}>{named(said(line))}</li>
            ))}
          </ul>
        </details>
      )}
      {finding.next.length > 0 && (
        <div>
          <p class="label">{t('findings_next')}</p>
          <ul class="plain">
            {finding.next.map((line) => (
              <li key={line}>{named(said(line))}</li>
            ))}
          </ul>
        </div>
      )}
    </article>
  );
}
