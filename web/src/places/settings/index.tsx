/** Settings: how this page looks, who may join, and what the program is. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import type { InvitationJson } from '../../api/types';
import { session, state, tried } from '../../app/state';
import { scale, scales, spoken, theme, themes, unitSystem, unitSystems } from '../../app/theme';
import { type Language, language, languages, number, t } from '../../text';
import { Adapters } from '../start/adapters';
import { Definitions } from './definitions';
import { Invitation } from './invitation';
import { Shop } from './shop';
import { Storage } from './storage';

export function Settings() {
  return (
    <div class="place">
      <div class="rows measure settings">
        <h1>{t('place_settings')}</h1>
        <section class="rows">
          <h2>{t('settings_look')}</h2>
          <Options
            label={t('settings_theme')}
            values={themes}
            now={theme.value}
            choose={(one) => {
              theme.value = one;
            }}
            name={(one) => t(`theme_${one}`)}
          />
          <Options
            label={t('settings_text')}
            values={scales}
            now={scale.value as 1}
            choose={(one) => {
              scale.value = one;
            }}
            name={(one) => `${number(one * 100)} %`}
          />
          <Options
            label={t('settings_language')}
            values={Object.keys(languages) as Language[]}
            now={language.value}
            choose={(one) => {
              language.value = one;
            }}
            name={(one) => languages[one]}
          />
          <Options
            label={t('settings_units_of_reports')}
            values={unitSystems}
            now={unitSystem.value}
            choose={(one) => {
              unitSystem.value = one;
            }}
            name={(one) => t(`units_${one}`)}
          />
          <Options
            label={t('settings_voice')}
            values={[true, false] as const}
            now={spoken.value}
            choose={(one) => {
              spoken.value = one;
            }}
            name={(one) => t(one ? 'voice_on' : 'voice_off')}
          />
        </section>
        <Network />
        {session.value?.may_hold && <Adapters />}
        {session.value?.is_bench && <Shop />}
        <Definitions />
        <Storage />
        <section class="rows">
          <h2>{t('settings_program')}</h2>
          <p class="figure">{session.value?.software}</p>
          <p>
            <a href="/licence-of-the-letters.txt" target="_blank" rel="noopener">
              {t('settings_letters')}
            </a>
          </p>
        </section>
      </div>
    </div>
  );
}

function Options<T extends string | number | boolean>(props: {
  label: string;
  values: readonly T[];
  now: T;
  choose: (value: T) => void;
  name: (value: T) => string;
}) {
  return (
    <fieldset class="options">
      <legend class="label">{props.label}</legend>
      <div class="row">
        {props.values.map((value) => (
          <button
            type="button"
            key={String(value)}
            class="key"
            aria-pressed={props.now === value}
            onClick={() => props.choose(value)}
          >
            {props.name(value)}
          </button>
        ))}
      </div>
    </fieldset>
  );
}

function Network() {
  const [invitation, setInvitation] = useState<InvitationJson | null>(null);
  const told = state.value;
  if (!session.value?.is_bench) return null;
  const invite = async (mayHold: boolean) => {
    const made = await tried(send<InvitationJson>('POST', '/people/invite', { may_hold: mayHold }));
    if (made) setInvitation(made);
  };
  return (
    <section class="rows">
      <h2>{t('settings_people')}</h2>
      <p class="quiet">{told?.network ? t('network_open', { url: told.network }) : t('network_closed')}</p>
      <div class="row">
        <button type="button" class="key" onClick={() => void invite(true)}>
          {t('invite_hold')}
        </button>
        <button type="button" class="key" onClick={() => void invite(false)}>
          {t('invite_look')}
        </button>
        {told?.network && (
          <button type="button" class="key stop" onClick={() => void tried(send('POST', '/people/close'))}>
            {t('network_close')}
          </button>
        )}
      </div>
      {invitation && told?.network && (
        <Invitation invitation={invitation} close={() => setInvitation(null)} />
      )}
      <ul class="sheet ruled">
        {told?.people.clients.map((client) => (
          <li key={client.id} class="line row apart">
            <strong class="grow">
              {client.id === told.me ? t('this_page', { name: client.name }) : client.name}
            </strong>
            <span class="quiet">{t(`role_${client.role}`)}</span>
            {!client.is_bench && (
              <button
                type="button"
                class="key slim"
                onClick={() => void tried(send('DELETE', `/people/${client.id}`))}
              >
                {t('dismiss')}
              </button>
            )}
          </li>
        ))}
      </ul>
    </section>
  );
}
