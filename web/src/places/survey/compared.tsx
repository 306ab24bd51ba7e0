/** Before and after: the first and the last survey of the case, and its first and last drive in the same conditions. */

import { useEffect, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { Compared, DrivesCompared, StateCompared, SurveysCompared } from '../../api/types';
import { openCase } from '../../app/lists';
import { tried } from '../../app/state';
import { t, word } from '../../text';
import { said } from '../../text/said';
import { takenAt } from './taken';

export function BeforeAfter() {
  const [compared, setCompared] = useState<Compared | null>(null);
  const [isBusy, setBusy] = useState(false);
  const entries = openCase.value?.entries ?? [];
  const n = (kind: string) => entries.filter(({ content }) => content.kind === kind).length;
  const [nSurveys, nDrives] = [n('survey'), n('drive')];
  // What was compared is of another day once there is more to compare, or another case.
  useEffect(() => setCompared(null), [openCase.value?.case.uid, nSurveys, nDrives]);
  if (nSurveys < 2 && nDrives < 2) return null;
  const compare = async () => {
    setBusy(true);
    setCompared((await tried(get<Compared | null>('/case/compared'))) ?? null);
    setBusy(false);
  };
  return (
    <section class="rows" aria-labelledby="compared">
      <div class="row apart">
        <h2 id="compared">{t('compared_title')}</h2>
        {!compared && (
          <button type="button" class="key" disabled={isBusy} onClick={() => void compare()}>
            {t(isBusy ? 'compared_busy' : 'compared_begin')}
          </button>
        )}
      </div>
      {compared?.surveys && <Surveys surveys={compared.surveys} />}
      {compared?.drives && <Drives drives={compared.drives} />}
      {compared?.problems.map((problem) => (
        <p class="trouble" key={problem}>
          {said(problem)}
        </p>
      ))}
    </section>
  );
}

function Surveys({ surveys }: { surveys: SurveysCompared }) {
  const of = (change: string) => surveys.codes.filter((code) => code.change === change);
  return (
    <div class="sheet rows tight">
      <p class="quiet small figure">
        {takenAt(surveys.before)} → {takenAt(surveys.after)}
      </p>
      <dl class="values">
        {['new', 'still there', 'gone', 'not asked'].map((change) => {
          const codes = of(change);
          if (codes.length === 0) return null;
          return (
            <div key={change}>
              <dt class="label">{word('change', change)}</dt>
              <dd class="figure">{codes.map((code) => `${code.code} (${code.module})`).join(', ')}</dd>
            </div>
          );
        })}
      </dl>
      {surveys.codes.length === 0 && <p>{t('entry_no_codes')}</p>}
      {surveys.only_in_one.length > 0 && (
        <p class="small">{t('compared_only_in_one', { which: surveys.only_in_one.join(', ') })}</p>
      )}
      {surveys.readiness.length > 0 && (
        <details>
          <summary>{t('survey_readiness')}</summary>
          <States states={surveys.readiness} named={(state) => word('monitor', state)} />
        </details>
      )}
      {surveys.frames.map((frame) => (
        <details key={`${frame.module}${frame.code}`}>
          <summary>
            {t('survey_frame')} <span class="figure">{frame.code}</span>
          </summary>
          <States states={frame.values} named={(state) => state} />
        </details>
      ))}
    </div>
  );
}

function States(props: { states: readonly StateCompared[]; named: (state: string) => string }) {
  const shown = (state: string | null) => (state === null ? '–' : props.named(state));
  return (
    <dl class="values">
      {props.states.map((state) => (
        <div key={state.name}>
          <dt class="label">{said(state.name.replaceAll('_', ' '))}</dt>
          <dd class="figure">
            {shown(state.before)} → {shown(state.after)}
          </dd>
        </div>
      ))}
    </dl>
  );
}

function Drives({ drives }: { drives: DrivesCompared }) {
  return (
    <div class="sheet rows tight">
      <ul class="plain">
        {drives.signals.map((signal) => (
          <li key={signal.id}>{said(signal.statement)}</li>
        ))}
      </ul>
      {drives.signals.length === 0 && <p>{t('compared_nothing')}</p>}
      <p class="quiet small">{said(drives.caution)}</p>
    </div>
  );
}
