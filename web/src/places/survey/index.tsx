/** Survey: everything that the car says of itself, as a map of its modules and their codes. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { FreezeFrame, Module, Survey as Surveyed } from '../../api/types';
import { surveys } from '../../app/lists';
import { address } from '../../app/router';
import { state, takeCar, tried } from '../../app/state';
import { Busy, CarFailure, NoCar, Steps } from '../../parts/notices';
import { count, t, unitShown, word } from '../../text';
import { said, valueSaid } from '../../text/said';
import { changes } from './changes';
import { Clear } from './clear';
import { BeforeAfter } from './compared';
import { takenAt } from './taken';
import { unlisted } from './unlisted';

/** What the page for clearing codes is called in an address. */
const CLEAR = 'clear';

export function Survey({ what }: { what: string | null }) {
  return what === CLEAR ? <Clear /> : <Overview />;
}

function Overview() {
  const car = state.value?.car;
  const isRunning = car?.stage === 'surveying';
  const all = surveys.value;
  const last = all.at(-1);
  const before = all.at(-2);
  const begin = async () => {
    if (await takeCar()) await tried(send('POST', '/car/survey'));
  };
  return (
    <div class="place">
      <div class="rows">
        <div class="row apart">
          <h1>{t('place_survey')}</h1>
          <button
            type="button"
            class="key main"
            disabled={car?.stage !== 'ready'}
            onClick={() => void begin()}
          >
            {isRunning ? t('stage_surveying') : last ? t('survey_again') : t('survey_begin')}
          </button>
        </div>
        <NoCar />
        <Busy />
        <CarFailure />
        {isRunning && <Steps steps={car.steps.slice(-6)} />}
        {last && <Shown survey={last} before={before} />}
        <BeforeAfter />
        {car?.vehicle && (
          <p>
            <a class="key" href={address('survey', CLEAR)}>
              {t('clear_title')}
            </a>
          </p>
        )}
        {!last && !isRunning && <p class="quiet measure">{t('survey_none')}</p>}
      </div>
    </div>
  );
}

function Shown({ survey, before }: { survey: Surveyed; before: Surveyed | undefined }) {
  const [chosen, setChosen] = useState<string | null>(null);
  const diff = before && changes(before, survey);
  const open =
    survey.modules.find((module) => module.address === chosen) ??
    survey.modules.find((module) => module.codes.length > 0);
  return (
    <>
      <p class="quiet figure">{[survey.vehicle.vin, takenAt(survey.taken)].filter(Boolean).join('  ·  ')}</p>
      {diff && (
        <p>
          <strong>{t('survey_changes')}</strong>{' '}
          {diff.came.length + diff.went.length === 0
            ? t('survey_same')
            : [...diff.came.map((code) => `+ ${code}`), ...diff.went.map((code) => `− ${code}`)].join('   ')}
        </p>
      )}
      {diff && diff.once.length > 0 && (
        <p class="small">{t('compared_only_in_one', { which: diff.once.join(', ') })}</p>
      )}
      <section class="network" aria-label={t('survey_map')}>
        <p class="label">{survey.vehicle.protocol}</p>
        <ul class="modules">
          {survey.modules.map((module) => (
            <li key={module.address}>
              <button
                type="button"
                class={`module ${module.codes.length > 0 ? 'has-codes' : ''}`}
                aria-pressed={module === open}
                onClick={() => setChosen(module.address)}
              >
                <span class="figure">{module.address}</span>
                <span class="small">{module.name ?? t('survey_unnamed')}</span>
                <strong class={module.codes.length > 0 ? 'faulty' : 'quiet'}>
                  {count('codes', module.codes.length)}
                </strong>
              </button>
            </li>
          ))}
        </ul>
      </section>
      {open && <OneModule module={open} />}
      <Readiness survey={survey} />
      {survey.problems.map((problem) => (
        <p class="trouble" key={problem}>
          {said(problem)}
        </p>
      ))}
    </>
  );
}

function OneModule({ module }: { module: Module }) {
  return (
    <section class="sheet rows" aria-label={module.address}>
      <h2>
        <span class="figure">{module.address}</span> {module.name}
      </h2>
      {module.codes.length === 0 && <p class="quiet">{t('entry_no_codes')}</p>}
      <ul class="ruled">
        {module.codes.map((code) => {
          const frames = module.freeze_frames.filter((frame) => frame.code === code.code);
          return (
            <li key={code.code} class="code-line">
              <div class="row">
                <strong class="figure dtc">{code.code}</strong>
                <span class="grow">{said(code.text ?? code.structure)}</span>
                <span class="quiet small">{code.kinds.map((kind) => word('code', kind)).join(', ')}</span>
              </div>
              {code.status_words.length > 0 && (
                <p class="quiet small">{code.status_words.map(said).join(', ')}</p>
              )}
              {frames.map((frame) => (
                <Frame key={frame.frame} frame={frame} />
              ))}
            </li>
          );
        })}
      </ul>
      {unlisted(module).map((frame) => (
        <Frame key={`${frame.code}${frame.frame}`} frame={frame} />
      ))}
      {module.problems.map((problem) => (
        <p class="quiet small" key={problem}>
          {said(problem)}
        </p>
      ))}
    </section>
  );
}

function Frame({ frame }: { frame: FreezeFrame }) {
  return (
    <details>
      <summary>
        {t('survey_frame')} <span class="figure">{frame.code}</span>
      </summary>
      <dl class="values">
        {frame.values.map((value) => (
          <div key={value.name}>
            <dt class="label">{said(value.title || value.name.replaceAll('_', ' '))}</dt>
            <dd class="figure">
              {valueSaid(value.value)} {unitShown(value.unit)}
            </dd>
          </div>
        ))}
      </dl>
    </details>
  );
}

function Readiness({ survey }: { survey: Surveyed }) {
  const { readiness } = survey;
  if (!readiness.module) return null;
  return (
    <section class="rows tight" aria-label={t('survey_readiness')}>
      <h2>{t('survey_readiness')}</h2>
      <ul class="monitors">
        {readiness.monitors
          .filter((monitor) => monitor.state !== 'not fitted')
          .map((monitor) => (
            <li key={monitor.name} class={monitor.state === 'complete' ? 'healthy' : 'undecided'}>
              <span>{said(monitor.name)}</span> <span class="small">{word('monitor', monitor.state)}</span>
            </li>
          ))}
      </ul>
    </section>
  );
}
