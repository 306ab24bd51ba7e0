/** The suspects of the open case: how probable each is, why, and what to test next. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { NextTest, Proof, Suspect, SuspectArea } from '../../api/types';
import { enter, openCase, suspects } from '../../app/lists';
import { session, tried } from '../../app/state';
import { number, t, word } from '../../text';
import { said } from '../../text/said';

export function Suspects() {
  const weighed = suspects.value;
  return (
    <div class="rows" aria-live="polite">
      <h2>{t('suspects')}</h2>
      {!openCase.value && <p class="quiet">{t('suspects_none')}</p>}
      {openCase.value && weighed?.areas.length === 0 && <p class="quiet">{t('suspects_nothing')}</p>}
      {weighed?.areas.map((area) => (
        <Area key={area.id} area={area} />
      ))}
      {openCase.value && <Prove key={openCase.value.case.uid} />}
      {weighed?.problems.map((problem) => (
        <p class="trouble small" key={problem}>
          {said(problem)}
        </p>
      ))}
    </div>
  );
}

/** After a repair: what the drives since then show. */
function Prove() {
  const [proof, setProof] = useState<Proof | null>(null);
  const [isBusy, setBusy] = useState(false);
  const isRepaired = openCase.value?.entries.some(({ content }) =>
    ['repaired', 'replaced'].includes(content.kind),
  );
  if (!isRepaired || !session.value?.may_hold) return null;
  const prove = async () => {
    setBusy(true);
    setProof((await tried(send<Proof>('POST', '/case/proof'))) ?? null);
    setBusy(false);
  };
  return (
    <section class="rows tight area" aria-label={t('entry_proof')}>
      <h3>{t('entry_proof')}</h3>
      <p class="small">{t('proof_how')}</p>
      <button type="button" class="key" disabled={isBusy} onClick={() => void prove()}>
        {t(isBusy ? 'proof_busy' : 'proof_do')}
      </button>
      <div role="status" class="rows tight">
        {proof?.faults.length === 0 && <p>{t('proof_nothing')}</p>}
        {proof && proof.new_faults.length > 0 && <p class="trouble">{said(proof.statement)}</p>}
        {proof?.faults.map((fault) => (
          <p key={fault.statement}>{said(fault.statement)}</p>
        ))}
        {proof?.new_faults.map((fault) => (
          <p key={fault.statement}>{said(fault.statement)}</p>
        ))}
        {proof && <OwnTests proof={proof} />}
        {proof?.problems.map((problem) => (
          <p class="trouble small" key={problem}>
            {said(problem)}
          </p>
        ))}
      </div>
    </section>
  );
}

/** What the car itself has to say to the repair. */
function OwnTests({ proof }: { proof: Proof }) {
  if (proof.codes.length + proof.monitors.length === 0) return null;
  return (
    <>
      {proof.codes.length > 0 && <p class="label">{t('proof_codes')}</p>}
      <ul class="plain small">
        {proof.codes.map(({ code, module, state }) => (
          <li key={`${code}${module}`}>
            <span class="figure">{code}</span> ({module}): {word('away', state)}
          </li>
        ))}
      </ul>
      {proof.monitors.length > 0 && <p class="label">{t('proof_monitors')}</p>}
      <ul class="plain small">
        {proof.monitors.map(({ name, conditions }) => (
          <li key={name}>
            <strong>{said(name)}</strong>: {said(conditions)}
          </li>
        ))}
      </ul>
      <p class="quiet small">{t('proof_law')}</p>
    </>
  );
}

function Area({ area }: { area: SuspectArea }) {
  const moved = new Map(suspects.value?.moved.map((change) => [change.suspect, change]));
  return (
    <section class="rows area" aria-label={said(area.title)}>
      <h3>{said(area.title)}</h3>
      <p class="small">{said(area.statement)}</p>
      <ol class="rows tight">
        {area.suspects.map((one) => (
          <One key={one.id} area={area.id} one={one} from={moved.get(`${area.id}/${one.id}`)?.from} />
        ))}
      </ol>
      {area.caution && <p class="caution small">{said(area.caution)}</p>}
      {area.next && <Test area={area.id} test={area.next} />}
      {area.tests.length > 0 && (
        <details>
          <summary>{t('suspects_tests')}</summary>
          {area.tests.map((test) => (
            <Test key={test.id} area={area.id} test={test} />
          ))}
        </details>
      )}
    </section>
  );
}

function One({ area, one, from }: { area: string; one: Suspect; from: number | undefined }) {
  const repaired = (helped: boolean) => void enter({ kind: 'repaired', area, suspect: one.id, helped });
  const percent = one.probability * 100;
  return (
    <li>
      <details class="suspect">
        <summary>
          <span class="row apart">
            <span class="grow">{said(one.name)}</span>
            <strong class="figure">{number(percent, percent < 1 ? 1 : 0)} %</strong>
          </span>
          <span class="likely" aria-hidden="true">
            <i style={{ width: `${percent}%` }} />
            {from !== undefined && <b style={{ left: `${from * 100}%` }} />}
          </span>
        </summary>
        {[
          ['suspects_for', one.speaks_for],
          ['suspects_against', one.speaks_against],
        ].map(([key, reasons]) =>
          (reasons as Suspect['speaks_for']).length === 0 ? null : (
            <div key={key as string}>
              <p class="label">{t(key as 'suspects_for')}</p>
              <ul class="plain small">
                {(reasons as Suspect['speaks_for']).map((reason) => (
                  <li key={reason.text}>
                    {said(reason.text)}{' '}
                    <span class="figure">× {number(reason.factor, reason.factor < 10 ? 1 : 0)}</span>
                  </li>
                ))}
              </ul>
            </div>
          ),
        )}
        <p class="label">{t('suspects_repaired')}</p>
        <div class="row">
          {[true, false].map((helped) => (
            <button type="button" class="key slim" key={String(helped)} onClick={() => repaired(helped)}>
              {t(helped ? 'helped' : 'did_not_help')}
            </button>
          ))}
        </div>
      </details>
    </li>
  );
}

function Test({ area, test }: { area: string; test: NextTest }) {
  return (
    <div class="sheet rows tight">
      <p class="label">{t('suspects_next')}</p>
      <p>{said(test.ask)}</p>
      <p class="quiet small figure">{t('suspects_minutes', { n: number(test.minutes) })}</p>
      {test.caution && <p class="caution small">{said(test.caution)}</p>}
      <div class="row">
        {test.outcomes.map((outcome) => (
          <button
            type="button"
            key={outcome.answer}
            class="key grow"
            onClick={() =>
              void enter({ kind: 'tested', area, test: test.id, is_yes: outcome.answer === 'yes' })
            }
          >
            <span>
              <strong>{said(outcome.seen)}</strong>
              <br />
              <span class="small">
                {said(outcome.then)} {number(outcome.then_probability * 100)} %
              </span>
            </span>
          </button>
        ))}
      </div>
    </div>
  );
}
