/** The line above everything: which car, what is going on with it, and who holds it. */

import { send } from '../api/http';
import type { HandOverJson, Stage } from '../api/types';
import { clock, t } from '../text';
import { openCase } from './lists';
import { address } from './router';
import { connected, holds, session, state, takeCar, tried } from './state';

const lamps: Record<Stage, string> = {
  empty: '',
  connecting: 'busy',
  ready: 'on',
  surveying: 'busy',
  clearing: 'busy',
  planning: 'busy',
  recording: 'tape',
  commanding: 'tape',
};

export function Strip() {
  const car = state.value?.car;
  const stage = car?.stage ?? 'empty';
  const open = openCase.value?.case;
  const title =
    (open && (open.vehicle.plate ?? open.vehicle.model)) ??
    car?.vehicle?.vin ??
    (car?.vehicle ? t('car_without_vin') : t('car_none'));
  const doing =
    stage === 'recording'
      ? `${t('stage_recording')} ${clock(car?.recording?.t_s ?? 0, 0)}`
      : t(`stage_${stage}`);
  return (
    <header class="strip">
      <a href={address('start')} aria-label={t('place_start')}>
        <img class="mark" src="/mark.svg" alt="" />
      </a>
      <a class="case" href={address('start')}>
        <strong class="figure">{title}</strong>
        <span class="row small">
          <span class={`lamp ${connected.value ? lamps[stage] : 'bad'}`} aria-hidden="true" />
          <span role="status">{connected.value ? doing : t('offline_short')}</span>
        </span>
      </a>
      <Holder />
      <a href={address('settings')} aria-label={t('place_settings')}>
        <svg
          viewBox="0 0 24 24"
          width="24"
          height="24"
          fill="none"
          stroke="currentColor"
          stroke-width="2"
          aria-hidden="true"
        >
          <path d="M3 7h11M18 7h3M3 17h3M10 17h11" />
          <circle cx="16" cy="7" r="2.200" />
          <circle cx="8" cy="17" r="2.200" />
        </svg>
      </a>
    </header>
  );
}

/** Who holds the car; the holder is asked here for it, others ask here. */
function Holder() {
  const people = state.value?.people;
  if (!people) return null;
  const name = (id: number | null) => people.clients.find((client) => client.id === id)?.name ?? '';
  if (holds.value && people.asked_by !== null) {
    return (
      <>
        <button type="button" onClick={() => handOver({ to: people.asked_by })}>
          {t('hand_over_to', { name: name(people.asked_by) })}
        </button>
        <button type="button" onClick={() => void tried(send('POST', '/car/keep'))}>
          {t('keep')}
        </button>
      </>
    );
  }
  if (holds.value) {
    return people.clients.length > 1 ? (
      <button type="button" onClick={() => handOver({ to: null })}>
        {t('you_hold')}
      </button>
    ) : null;
  }
  // Alone, whoever acts takes the car by acting; whoever was invited to look on could only be refused.
  if (people.clients.length < 2 || !session.value?.may_hold) return null;
  return (
    <button type="button" onClick={() => void takeCar()}>
      {people.holder === null
        ? t('take_car')
        : people.asked_by === state.value?.me
          ? t('asked')
          : t('ask_car', { name: name(people.holder) })}
    </button>
  );
}

function handOver(to: HandOverJson): void {
  void tried(send('POST', '/car/hand-over', to));
}
