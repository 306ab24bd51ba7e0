/** How a command went: what ended it, whether control is back, and what responded. */

import type { Commanded } from '../../api/types';
import { named, titleOf } from '../../app/lists';
import { address } from '../../app/router';
import { Balance, odds, Verdict } from '../../parts/verdict';
import { number, t, unitShown } from '../../text';
import { said } from '../../text/said';

export function Outcome(props: { done: Commanded; drive: string | null; title: string | undefined }) {
  const { done } = props;
  const isBack = done.returned === 'confirmed' || done.returned === 'not-driven';
  return (
    <section class="sheet rows" aria-label={t('command_outcome')}>
      <h2>{t('command_outcome')}</h2>
      <p>
        {props.title ?? titleOf(done.id)}: {said(done.ended_text)}.
      </p>
      <p class={isBack ? 'healthy' : 'trouble'} role="status">
        {isBack ? '✓ ' : ''}
        {said(done.returned_text)}
      </p>
      {done.results.length > 0 && (
        <dl class="ruled">
          {done.results.map((result) => (
            <div class="row apart" key={result.name}>
              <dt>{result.name}</dt>
              <dd class="figure">
                {result.text ??
                  (result.value === null ? '–' : `${number(result.value, 2)} ${unitShown(result.unit)}`)}
              </dd>
            </div>
          ))}
        </dl>
      )}
      {done.findings.map((finding) => (
        <div class="rows tight" key={finding.statement}>
          <div class="row apart">
            <h3>{t('command_response')}</h3>
            <Verdict said={finding.verdict} />
          </div>
          <Balance log10={finding.log10_odds} />
          <p class="small">{odds(finding.log10_odds)}</p>
          <p>{named(said(finding.statement))}</p>
          {finding.next.map((line) => (
            <p class="quiet" key={line}>
              {named(said(line))}
            </p>
          ))}
        </div>
      ))}
      {props.drive && (
        <p>
          <a href={address('review', props.drive)}>{t('command_review')}</a>
        </p>
      )}
    </section>
  );
}
