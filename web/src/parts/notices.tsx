/** What went wrong, and what to be careful about. */

import type { FailureJson, Stage } from '../api/types';
import { openCase } from '../app/lists';
import { address, type Place, where } from '../app/router';
import { state, trouble } from '../app/state';
import { clock, t } from '../text';
import { said } from '../text/said';

export function Trouble() {
  if (!trouble.value) return null;
  return (
    <div class="trouble row apart" role="alert">
      <div class="grow">
        <WhatFailed failure={trouble.value} />
      </div>
      <button
        type="button"
        class="key slim"
        onClick={() => {
          trouble.value = null;
        }}
      >
        {t('put_away')}
      </button>
    </div>
  );
}

/** Where to connect a car, while there is none. */
export function NoCar() {
  if (state.value?.car.vehicle) return null;
  return (
    <p>
      {t('live_no_car')} <a href={address('start')}>{t('place_start')}</a>
    </p>
  );
}

/** Where what keeps the car busy for long is watched and stopped. */
const busyAt: Partial<Record<Stage, Place>> = {
  recording: 'live',
  commanding: 'command',
  surveying: 'survey',
  clearing: 'survey',
};

/** Why nothing can be begun here: the car is busy with something that another place shows. */
export function Busy() {
  const stage = state.value?.car.stage ?? 'empty';
  const place = busyAt[stage];
  if (!place || place === where.value.place) return null;
  return (
    <p>
      {t('car_busy', { what: t(`stage_${stage}`) })} <a href={address(place)}>{t(`place_${place}`)}</a>
    </p>
  );
}

/** That the connected car is not that of the open case: what is done with it goes elsewhere. */
export function OtherCar() {
  const car = state.value?.car.vehicle?.vin;
  const open = openCase.value?.case;
  const vin = open?.vehicle.vin;
  if (!car || !vin || car === vin) return null;
  return (
    <p class="trouble" role="status">
      {t('other_car', { car, n: open.number, vin })}
    </p>
  );
}

/** What failed, and what to do about it. */
export function WhatFailed({ failure }: { failure: FailureJson }) {
  return (
    <>
      <strong>{said(failure.message)}</strong>
      {failure.hints.map((hint) => (
        <p key={hint}>{said(hint)}</p>
      ))}
    </>
  );
}

/** Why what was tried last with the car did not work. */
export function CarFailure() {
  const failure = state.value?.car.failure;
  if (!failure) return null;
  return (
    <div class="trouble" role="alert">
      <WhatFailed failure={failure} />
    </div>
  );
}

/** What became of the recording that ended last, where not all of it was kept. */
export function RecordingLost() {
  const car = state.value?.car;
  const lost = car?.recording?.problems ?? [];
  if (lost.length === 0) return null;
  return (
    <div class="trouble" role="alert">
      <strong>{t('recording_lost')}</strong>
      {lost.map((problem) => (
        <p key={problem}>{said(problem)}</p>
      ))}
    </div>
  );
}

/** The last steps of what the car is busy with. */
export function Steps({ steps }: { steps: readonly string[] }) {
  return (
    <ol class="steps" aria-live="polite">
      {steps.map((step, k) => (
        <li key={`${k}${step}`} class="done">
          {said(step)}
        </li>
      ))}
    </ol>
  );
}

/** What happened last to the recording that runs: an adapter that was lost, and came back. */
export function RecordingNote() {
  const car = state.value?.car;
  const note = car?.recording?.notes.at(-1);
  if (!note || (car?.stage !== 'recording' && car?.stage !== 'commanding')) return null;
  return (
    <p class="note" role="status">
      <span class="figure">{clock(note.t_s)}</span> {said(note.text)}
    </p>
  );
}

export function Caution({ lines }: { lines: readonly string[] }) {
  return (
    <div class="caution" role="note">
      <strong class="label">{t('caution')}</strong>
      {lines.map((line) => (
        <p key={line}>{said(line)}</p>
      ))}
    </div>
  );
}
