/** Where a case begins: the adapter and the car behind it. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import { adapters } from '../../app/lists';
import { state, takeCar, tried } from '../../app/state';
import { t } from '../../text';
import { CasesOf } from './cases';

export function Start() {
  const car = state.value?.car;
  const [address, setAddress] = useState(() => localStorage.getItem('adapter') ?? '');
  const connect = async (to: string) => {
    localStorage.setItem('adapter', to);
    setAddress(to);
    if (await takeCar()) await tried(send('POST', '/car/connect', { adapter: to }));
  };
  const isBusy = car?.stage !== 'empty' && car?.stage !== 'ready';
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('start_title')}</h1>
        {car?.vehicle ? <Connected /> : null}
        <section class="rows" aria-labelledby="adapters">
          <h2 id="adapters">{t('start_adapters')}</h2>
          <ul class="sheet ruled rows">
            {adapters.value.map((adapter) => (
              <li key={adapter.address} class="row apart">
                <span class="grow">
                  <strong class="figure">{adapter.address}</strong>
                  {adapter.is_invented && <span class="quiet small"> {t('start_invented')}</span>}
                </span>
                <button
                  type="button"
                  class="key"
                  disabled={isBusy}
                  onClick={() => void connect(adapter.address)}
                >
                  {t('connect')}
                </button>
              </li>
            ))}
          </ul>
          <form
            class="row level"
            onSubmit={(event) => {
              event.preventDefault();
              void connect(address);
            }}
          >
            <label class="field grow">
              <span class="label">{t('start_address')}</span>
              <input
                required
                spellcheck={false}
                autocapitalize="none"
                placeholder="at+serial:/dev/ttyUSB0"
                value={address}
                onInput={(event) => setAddress(event.currentTarget.value)}
              />
            </label>
            <button type="submit" class="key main" disabled={isBusy}>
              {t('connect')}
            </button>
          </form>
        </section>
        <Steps />
        <CasesOf />
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
            {step}
          </li>
        ))}
        {car.failure && <li class="failed">{car.failure.message}</li>}
      </ol>
      {car.failure && car.failure.hints.length > 0 && (
        <div class="trouble">
          <strong>{t('try_this')}</strong>
          {car.failure.hints.map((hint) => (
            <p key={hint}>{hint}</p>
          ))}
        </div>
      )}
    </section>
  );
}
