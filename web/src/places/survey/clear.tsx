/** Clearing codes: everything is read and saved first, what will be lost is read by somebody, and then read again. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { Cleared, ClearingCost, ClearingJson, ClearJson } from '../../api/types';
import { address } from '../../app/router';
import { state, takeCar, tried } from '../../app/state';
import { Busy, CarFailure, Caution, NoCar, Steps } from '../../parts/notices';
import { count, t, word } from '../../text';
import { said } from '../../text/said';

export function Clear() {
  const car = state.value?.car;
  const clearing = car?.clearing;
  const isReading = car?.stage === 'surveying';
  const isBusy = isReading || car?.stage === 'clearing';
  const read = async () => {
    if (await takeCar()) await tried(send('POST', '/car/clear/prepare'));
  };
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('clear_title')}</h1>
        <p>
          <a href={address('survey')}>{t('place_survey')}</a>
        </p>
        {clearing?.done && <Done done={clearing.done} />}
        <Caution
          lines={[
            t('clear_caution_evidence'),
            t('clear_caution_monitors'),
            t('clear_caution_learned'),
            t('clear_caution_law'),
          ]}
        />
        <NoCar />
        <Busy />
        <CarFailure />
        {isBusy && <Steps steps={car.steps.slice(-4)} />}
        {clearing && !clearing.done && !isReading ? (
          <Ready clearing={clearing} />
        ) : (
          <button
            type="button"
            class="key main across"
            disabled={car?.stage !== 'ready'}
            onClick={() => void read()}
          >
            {isReading ? t('stage_surveying') : t('clear_read_first')}
          </button>
        )}
      </div>
    </div>
  );
}

function Ready({ clearing }: { clearing: ClearingJson }) {
  const mayHideCodes = (module: string) =>
    clearing.costs.some((cost) => cost.module === module && cost.is_cut_short);
  // What nobody could read whole is cleared only when somebody chooses it.
  const [chosen, setChosen] = useState(clearing.modules.filter((module) => !mayHideCodes(module)));
  const [isRead, setRead] = useState(false);
  const [stands, setStands] = useState(false);
  const isReady = state.value?.car.stage === 'ready';
  const clear = async () => {
    const unread = chosen.some(mayHideCodes);
    const wish: ClearJson = { modules: chosen, costs_read: isRead, stands, unread };
    if (await takeCar()) await tried(send('POST', '/car/clear', wish));
  };
  const choose = (module: string, is: boolean) =>
    setChosen(clearing.modules.filter((one) => (one === module ? is : chosen.includes(one))));
  return (
    <>
      <section class="rows tight" aria-label={t('clear_lost')}>
        <h2>{t('clear_lost')}</h2>
        <ul class="sheet ruled plain">
          {clearing.modules.map((module) => {
            const cost = clearing.costs.find((one) => one.module === module);
            return (
              <li key={module} class="rows tight">
                <label class="row check">
                  <input
                    type="checkbox"
                    checked={chosen.includes(module)}
                    onChange={(event) => choose(module, event.currentTarget.checked)}
                  />
                  <span class="grow">
                    <strong class="figure">{module}</strong> {cost?.name}
                  </span>
                </label>
                {cost ? <Cost cost={cost} /> : <p class="quiet small">{t('clear_nothing_lost')}</p>}
              </li>
            );
          })}
        </ul>
      </section>
      <label class="row check">
        <input type="checkbox" checked={isRead} onChange={(event) => setRead(event.currentTarget.checked)} />
        <strong class="grow">{t('clear_is_read')}</strong>
      </label>
      <label class="row check">
        <input
          type="checkbox"
          checked={stands}
          onChange={(event) => setStands(event.currentTarget.checked)}
        />
        <strong class="grow">{t('clear_stands')}</strong>
      </label>
      <div class="foot">
        <button
          type="button"
          class="key main across"
          disabled={!isReady || !isRead || !stands || chosen.length === 0}
          onClick={() => void clear()}
        >
          {t(isReady ? 'clear_now' : 'stage_clearing')}
        </button>
      </div>
    </>
  );
}

function Cost({ cost }: { cost: ClearingCost }) {
  const lines = [
    cost.codes.length > 0 && t('clear_cost_codes', { codes: cost.codes.join(', ') }),
    cost.freeze_frames > 0 && count('clear_cost_frames', cost.freeze_frames),
    cost.test_results > 0 && count('clear_cost_results', cost.test_results),
    cost.monitors > 0 && count('clear_cost_monitors', cost.monitors),
    cost.is_cut_short && t('clear_cost_cut_short'),
    cost.permanent.length > 0 && t('clear_cost_permanent', { codes: cost.permanent.join(', ') }),
    cost.unread.length > 0 && t('clear_cost_unread', { what: cost.unread.join('; ') }),
  ];
  return <ul class="plain small">{lines.map((line) => line && <li key={line}>{line}</li>)}</ul>;
}

function Done({ done }: { done: Cleared }) {
  const codes = (list: string[]) => list.join(', ') || t('clear_no_codes');
  return (
    <section class="sheet rows" aria-label={t('clear_done')}>
      <h2>{t('clear_done')}</h2>
      <ul class="ruled plain">
        {done.modules.map((module) => (
          <li key={module.module} class="rows tight">
            <p class={module.outcome === 'confirmed' ? '' : 'trouble'}>
              <strong class="figure">{module.module}</strong> {word('clear_outcome', module.outcome)}
              {module.reason ? `: ${said(module.reason)}` : ''}
            </p>
            <p class="small figure">
              {t('clear_before_after', { before: codes(module.before), after: codes(module.after) })}
            </p>
          </li>
        ))}
      </ul>
      {done.problems.map((problem) => (
        <p class="trouble" key={problem}>
          {said(problem)}
        </p>
      ))}
      <p class="quiet small">{t('clear_kept')}</p>
    </section>
  );
}
