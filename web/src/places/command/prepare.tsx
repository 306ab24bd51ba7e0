/** Before a command: what can hurt somebody, what must hold, how it is driven, and what is recorded beside it. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { CommandWishJson, HowJson } from '../../api/types';
import { signals, titleOf } from '../../app/lists';
import { address } from '../../app/router';
import { state, takeCar, tried } from '../../app/state';
import { Busy, CarFailure, Caution } from '../../parts/notices';
import { t, unitShown } from '../../text';
import { valueSaid } from '../../text/said';
import { Choice } from '../live/choice';
import type { Action } from './list';
import { said } from './needs';

const pulses = { on: 12, off: 12, count: 7 };

export function Prepare({ action, general }: { action: Action; general: readonly string[] }) {
  const [isRead, setRead] = useState(false);
  const [inTurn, setInTurn] = useState(false);
  const [level, setLevel] = useState(action.kind === 'output' ? action.max : 0);
  const [train, setTrain] = useState(pulses);
  const [given, setGiven] = useState<Record<string, string>>({});
  const [beside, setBeside] = useState(() => usualSignals(action));
  const car = state.value?.car;
  const how = (): HowJson => {
    if (action.kind === 'routine') {
      const parameters = Object.entries(given).filter(([, value]) => value !== '');
      return { kind: 'routine', parameters: parameters.map(([name, value]) => [name, Number(value)]) };
    }
    if (!inTurn) return { kind: 'hold', level };
    return { kind: 'pulses', level, on_s: train.on, off_s: train.off, count: train.count };
  };
  const prepare = async (event: Event) => {
    event.preventDefault();
    const wish: CommandWishJson = { id: action.id, how: how(), signals: beside, cautions_read: isRead };
    if (await takeCar()) await tried(send('POST', '/car/command', wish));
  };
  return (
    <form class="rows" onSubmit={(event) => void prepare(event)}>
      <p class="row apart">
        <a href={address('command')}>{t('command_others')}</a>
        <span class="quiet small figure">{t('command_module', { module: action.module })}</span>
      </p>
      <Caution lines={[...action.care.cautions, ...general]} />
      <label class="row check">
        <input type="checkbox" checked={isRead} onChange={(event) => setRead(event.currentTarget.checked)} />
        <strong class="grow">{t('command_read')}</strong>
      </label>
      <section class="rows tight" aria-label={t('command_conditions')}>
        <h2>{t('command_conditions')}</h2>
        <ul class="plain">
          {action.care.needs.map((need) => (
            <li key={`${need.name}${need.signal}`}>{said(need)}</li>
          ))}
          {action.care.longest_s !== null && <li>{t('command_longest', { s: action.care.longest_s })}</li>}
        </ul>
      </section>
      <section class="rows tight" aria-label={t('command_how')}>
        <h2>{t('command_how')}</h2>
        {action.kind === 'output' && (
          <>
            <fieldset class="group" aria-label={t('command_how')}>
              {[false, true].map((one) => (
                <button
                  type="button"
                  key={String(one)}
                  class="key"
                  aria-pressed={inTurn === one}
                  onClick={() => setInTurn(one)}
                >
                  {t(one ? 'command_in_turn' : 'command_steady')}
                </button>
              ))}
            </fieldset>
            {!action.is_switch && (
              <Figure
                label={t('command_level', { unit: unitShown(action.unit) })}
                value={level}
                min={action.min}
                max={action.max}
                slides
                change={setLevel}
              />
            )}
            {inTurn && (
              <>
                <div class="row">
                  <Figure
                    label={t('command_on_s')}
                    value={train.on}
                    min={0.1}
                    max={600}
                    change={(on) => setTrain({ ...train, on })}
                  />
                  <Figure
                    label={t('command_off_s')}
                    value={train.off}
                    min={0.1}
                    max={600}
                    change={(off) => setTrain({ ...train, off })}
                  />
                  <Figure
                    label={t('command_count')}
                    value={train.count}
                    min={1}
                    max={1000}
                    change={(count) => setTrain({ ...train, count: Math.round(count) })}
                  />
                </div>
                <p class="quiet small">{t('command_uneven')}</p>
              </>
            )}
          </>
        )}
        {action.kind === 'routine' && (
          <div class="row">
            {action.parameters.map((parameter) => (
              <label class="field grow" key={parameter.name}>
                <span class="label">
                  {parameter.title || parameter.name} ({valueSaid(parameter.min)} – {valueSaid(parameter.max)}{' '}
                  {unitShown(parameter.unit)})
                </span>
                <input
                  type="number"
                  step="any"
                  required={parameter.default === null}
                  min={parameter.min}
                  max={parameter.max}
                  placeholder={parameter.default === null ? '' : String(parameter.default)}
                  value={given[parameter.name] ?? ''}
                  onInput={(event) => setGiven({ ...given, [parameter.name]: event.currentTarget.value })}
                />
              </label>
            ))}
          </div>
        )}
      </section>
      <details>
        <summary>{t('command_beside', { which: beside.map(titleOf).join(', ') || '–' })}</summary>
        <Choice chosen={beside} change={setBeside} />
      </details>
      <CarFailure />
      <Busy />
      <div class="foot">
        <button type="submit" class="key main across" disabled={!isRead || car?.stage !== 'ready'}>
          {car?.stage === 'planning' ? t('stage_planning') : t('command_prepare')}
        </button>
      </div>
    </form>
  );
}

/** Its own state and what ought to respond, as far as it can be read. */
function usualSignals(action: Action): string[] {
  const wanted = action.kind === 'output' ? [action.id, ...action.responds] : [];
  return wanted.filter((id) => signals.value.some((one) => one.id === id && one.readable));
}

function Figure(props: {
  label: string;
  value: number;
  min: number;
  max: number;
  slides?: boolean;
  change: (value: number) => void;
}) {
  const common = {
    min: props.min,
    max: props.max,
    value: props.value,
    onInput: (event: { currentTarget: { valueAsNumber: number } }) => {
      const value = event.currentTarget.valueAsNumber;
      if (Number.isFinite(value)) props.change(value);
    },
  };
  return (
    <div class="field grow">
      <label class="field">
        <span class="label">{props.label}</span>
        <input type="number" step="any" required {...common} />
      </label>
      {props.slides && <input type="range" aria-label={props.label} class="graduated" {...common} />}
    </div>
  );
}
