/** Where a case begins: the adapter and the car behind it. */

import { send } from '../../api/http';
import { state, takeCar, tried } from '../../app/state';
import { OtherCar } from '../../parts/notices';
import { t } from '../../text';
import { said } from '../../text/said';
import { Adapters } from './adapters';
import { CasesOf } from './cases';
import { Incoming } from './incoming';

export function Start() {
  const car = state.value?.car;
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('start_title')}</h1>
        {car?.vehicle ? <Connected /> : null}
        <Adapters />
        <Steps />
        <CasesOf />
        <Incoming />
      </div>
    </div>
  );
}

function Connected() {
  const car = state.value?.car;
  if (!car?.vehicle) return null;
  return (
    <section class="sheet rows" aria-label={t('start_connected')}>
      <div class="row apart">
        <h2 class="figure">{car.vehicle.vin ?? t('car_without_vin')}</h2>
        <button
          type="button"
          class="key slim"
          disabled={car.stage !== 'ready'}
          onClick={async () => {
            if (await takeCar()) await tried(send('POST', '/car/disconnect'));
          }}
        >
          {t('disconnect')}
        </button>
      </div>
      <OtherCar />
      <p class="quiet">{[car.vehicle.protocol, car.vehicle.adapter].filter(Boolean).join(' · ')}</p>
      <p>
        {t('start_modules')} <span class="figure">{car.vehicle.modules.join('  ')}</span>
      </p>
    </section>
  );
}

/** What connecting did so far, and what to try when it failed. */
function Steps() {
  const car = state.value?.car;
  if (!car || (car.steps.length === 0 && !car.failure)) return null;
  return (
    <section class="rows" aria-label={t('start_steps')} aria-live="polite">
      <ol class="steps">
        {car.steps.map((step, k) => (
          <li
            key={`${k}${step}`}
            class={k === car.steps.length - 1 && car.stage === 'connecting' ? 'now' : 'done'}
          >
            {said(step)}
          </li>
        ))}
        {car.failure && <li class="failed">{said(car.failure.message)}</li>}
      </ol>
      {car.failure && car.failure.hints.length > 0 && (
        <div class="trouble">
          <strong>{t('try_this')}</strong>
          {car.failure.hints.map((hint) => (
            <p key={hint}>{said(hint)}</p>
          ))}
        </div>
      )}
    </section>
  );
}
