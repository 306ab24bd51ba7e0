/** Cases: a new one, and those that are open or closed. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { CaseVehicle, NewCaseJson } from '../../api/types';
import { cases, enter, openCase, openNew, searchCases, searched } from '../../app/lists';
import { session, tried } from '../../app/state';
import { type Key, moment, t } from '../../text';
import { mileageOf } from './mileage';

export function CasesOf() {
  /** What the new case begins with, while one is written. */
  const [draft, setDraft] = useState<Draft | null>(null);
  const words = searched.value;
  const open = openCase.value?.case;
  if (!session.value?.may_hold) return null;
  return (
    <section class="rows" aria-labelledby="cases">
      <div class="row apart">
        <h2 id="cases">{t('cases')}</h2>
        <button
          type="button"
          class="key"
          aria-expanded={draft !== null}
          onClick={() => setDraft(draft ? null : blank)}
        >
          {t('case_new')}
        </button>
      </div>
      {open && <OpenCase key={open.number} />}
      {draft && <NewCase begin={draft} done={() => setDraft(null)} />}
      {!open && !draft && words === '' && cases.value[0] && (
        <LastCar car={cases.value[0].vehicle} write={setDraft} />
      )}
      <label class="field">
        <span class="label">{t('case_search')}</span>
        <input type="search" value={words} onInput={(event) => void searchCases(event.currentTarget.value)} />
      </label>
      <ul class="sheet ruled" hidden={cases.value.length === 0}>
        {cases.value.map((one) => (
          <li key={one.uid} class="line row apart">
            <span class="grow">
              <strong>{one.complaint || t('case_without_complaint')}</strong>
              <br />
              <span class="quiet small figure">
                {[
                  `№ ${one.number}`,
                  one.vehicle.model,
                  one.vehicle.plate ?? one.vehicle.vin,
                  moment(one.opened_unix_ms / 1000),
                ]
                  .filter(Boolean)
                  .join('  ·  ')}
              </span>
            </span>
            {one.number === open?.number ? (
              <span class="quiet">{t('case_is_open')}</span>
            ) : one.closed_unix_ms === null ? (
              <button
                type="button"
                class="key slim"
                onClick={() => void tried(send('POST', `/cases/${one.number}/take-up`))}
              >
                {t('case_take_up')}
              </button>
            ) : (
              <span class="quiet">{t('case_closed')}</span>
            )}
          </li>
        ))}
      </ul>
    </section>
  );
}

/** The car of the newest case, which often comes back. */
function LastCar({ car, write }: { car: CaseVehicle; write: (draft: Draft) => void }) {
  const known = {
    model: car.model ?? '',
    plate: car.plate ?? '',
    vin: car.vin ?? '',
    engine: car.engine ?? '',
  };
  const name = Object.values(known).filter(Boolean).join('  ·  ');
  if (name === '') return null;
  return (
    <div class="sheet row apart">
      <span class="grow">
        <span class="label">{t('case_last_car')}</span>
        <br />
        <span class="figure">{name}</span>
      </span>
      <button type="button" class="key slim" onClick={() => write({ ...blank, ...known })}>
        {t('case_for_it')}
      </button>
    </div>
  );
}

function OpenCase() {
  const { case: open } = openCase.value!;
  const [outcome, setOutcome] = useState<string | null>(null);
  return (
    <div class="sheet rows tight">
      <p class="label">{t('case_open', { n: open.number })}</p>
      <p>
        <strong>{open.complaint || t('case_without_complaint')}</strong>
      </p>
      <p class="quiet small">
        {[open.conditions.engine, open.conditions.speed, open.conditions.weather, open.conditions.often]
          .filter(Boolean)
          .join('  ·  ')}
      </p>
      {outcome === null ? (
        <div class="row">
          <button type="button" class="key slim" onClick={() => setOutcome('')}>
            {t('case_close')}
          </button>
        </div>
      ) : (
        <form
          class="row level"
          onSubmit={(event) => {
            event.preventDefault();
            void enter({ kind: 'closed', outcome });
          }}
        >
          <Field label="case_outcome" value={outcome} change={setOutcome} />
          <button type="submit" class="key">
            {t('case_close')}
          </button>
        </form>
      )}
    </div>
  );
}

function Field(props: {
  label: Key;
  value: string;
  change: (value: string) => void;
  long?: boolean;
  number?: boolean;
}) {
  const input = (event: { currentTarget: { value: string } }) => props.change(event.currentTarget.value);
  return (
    <label class="field grow">
      <span class="label">{t(props.label)}</span>
      {props.long ? (
        <textarea required value={props.value} onInput={input} />
      ) : (
        <input value={props.value} inputMode={props.number ? 'numeric' : 'text'} onInput={input} />
      )}
    </label>
  );
}

const blank = {
  complaint: '',
  model: '',
  plate: '',
  vin: '',
  engine: '',
  mileage: '',
  hot: '',
  speed: '',
  weather: '',
  often: '',
};

type Draft = typeof blank;

function NewCase({ begin, done }: { begin: Draft; done: () => void }) {
  const [form, setForm] = useState(begin);
  const field = (name: keyof Draft, label: Key, more: { long?: boolean; number?: boolean } = {}) => (
    <Field
      label={label}
      value={form[name]}
      change={(value) => setForm({ ...form, [name]: value })}
      {...more}
    />
  );
  const said = (text: string) => text.trim() || null;
  const submit = async (event: Event) => {
    event.preventDefault();
    const body: NewCaseJson = {
      complaint: form.complaint.trim(),
      conditions: {
        engine: said(form.hot),
        speed: said(form.speed),
        weather: said(form.weather),
        often: said(form.often),
      },
      vehicle: {
        number: 0,
        vin: said(form.vin)?.toUpperCase() ?? null,
        plate: said(form.plate),
        model: said(form.model),
        engine: said(form.engine),
      },
      mileage_km: mileageOf(form.mileage),
    };
    if (await openNew(body)) done();
  };
  return (
    <form class="sheet rows" onSubmit={(event) => void submit(event)}>
      {field('complaint', 'case_complaint', { long: true })}
      <div class="row">
        {field('hot', 'case_engine_state')}
        {field('speed', 'case_speed')}
      </div>
      <div class="row">
        {field('weather', 'case_weather')}
        {field('often', 'case_often')}
      </div>
      <div class="row">
        {field('model', 'case_model')}
        {field('engine', 'case_engine')}
      </div>
      {field('vin', 'case_vin')}
      <div class="row">
        {field('plate', 'case_plate')}
        {field('mileage', 'case_mileage', { number: true })}
      </div>
      <button type="submit" class="key main">
        {t('case_begin')}
      </button>
    </form>
  );
}
