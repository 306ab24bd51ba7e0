/** Adapters: the one of last time, those that were named, those in reach, and any other by its address. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { Adapter, Adapters as Found } from '../../api/types';
import { adapters } from '../../app/lists';
import { go } from '../../app/router';
import { session, state, takeCar, tried } from '../../app/state';
import { Busy } from '../../parts/notices';
import { number, t } from '../../text';
import { said } from '../../text/said';

const usedLast = () => localStorage.getItem('adapter') ?? '';

export function Adapters() {
  const [address, setAddress] = useState(usedLast);
  const [found, setFound] = useState<Found | null>(null);
  const [isLooking, setLooking] = useState(false);
  const stage = state.value?.car.stage;
  const isBusy = stage !== 'empty' && stage !== 'ready';
  const last = usedLast();
  const named = adapters.value.map((adapter) => ({
    address: adapter.address,
    what: adapter.is_invented ? t('start_invented') : '',
  }));
  const isNew = (to: string) => named.every((one) => one.address !== to);
  const listed = last && isNew(last) ? [{ address: last, what: '' }, ...named] : named;
  const reached =
    found?.adapters.filter((one) => listed.every((known) => known.address !== one.address)) ?? [];
  const use = (to: string) => {
    localStorage.setItem('adapter', to);
    setAddress(to);
    // Where each step is told.
    go('start');
    void connect(to);
  };
  const look = async () => {
    setLooking(true);
    setFound((await tried(send<Found>('POST', '/adapters/look'))) ?? null);
    setLooking(false);
  };
  // Whoever was invited to look on would only be refused.
  const connecting = (to: string) =>
    session.value?.may_hold && (
      <button type="button" class="key" disabled={isBusy} onClick={() => use(to)}>
        {t('connect')}
      </button>
    );
  return (
    <section class="rows" aria-labelledby="adapters">
      <div class="row apart">
        <h2 id="adapters">{t('start_adapters')}</h2>
        {session.value?.may_hold && (
          <button type="button" class="key" disabled={isLooking} onClick={() => void look()}>
            {t(isLooking ? 'start_looking' : 'start_look')}
          </button>
        )}
      </div>
      <Busy />
      <ul class="sheet ruled rows">
        {listed.map((one) => (
          <li key={one.address} class="row apart">
            <span class="grow wrap">
              <strong class="figure">{one.address}</strong>{' '}
              <span class="quiet small">
                {[one.what, one.address === last && t('start_last')].filter(Boolean).join(' · ')}
              </span>
            </span>
            {connecting(one.address)}
          </li>
        ))}
        {reached.map((one) => (
          <li key={one.address} class="rows tight">
            <div class="row apart">
              <span class="grow wrap">
                <strong class="figure">{one.address}</strong> <span class="quiet small">{about(one)}</span>
              </span>
              {connecting(one.address)}
            </div>
            {[one.problem, ...one.hints]
              .filter((line) => line !== null)
              .map((line) => (
                <p class="quiet small" key={line}>
                  {said(line)}
                </p>
              ))}
          </li>
        ))}
      </ul>
      {found?.notes.map((note) => (
        <p class="quiet small" key={note}>
          {said(note)}
        </p>
      ))}
      {session.value?.is_bench ? (
        <form
          class="row level"
          onSubmit={(event) => {
            event.preventDefault();
            use(address.trim());
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
      ) : (
        <p class="quiet small">{t('start_elsewhere')}</p>
      )}
    </section>
  );
}

async function connect(adapter: string): Promise<void> {
  if (await takeCar()) await tried(send('POST', '/car/connect', { adapter }));
}

function about(one: Adapter): string {
  const volts = one.supply_volts === null ? '' : `${number(one.supply_volts, 1)} V`;
  return [one.what, one.adapter, one.network, volts].filter(Boolean).join(' · ');
}
