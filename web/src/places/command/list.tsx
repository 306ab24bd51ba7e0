/** What the modules of the car can be told to do. */

import type { Commands, Output, Routine } from '../../api/types';
import { address } from '../../app/router';
import { t, unitShown } from '../../text';
import { valueSaid } from '../../text/said';

export type Action = (Output & { kind: 'output' }) | (Routine & { kind: 'routine' });

export function actionsOf(commands: Commands | null): Action[] {
  return [
    ...(commands?.outputs ?? []).map((output) => ({ ...output, kind: 'output' as const })),
    ...(commands?.routines ?? []).map((routine) => ({ ...routine, kind: 'routine' as const })),
  ];
}

/** What it takes: on or off, a range, or a start. */
function takes(action: Action): string {
  if (action.kind === 'routine') return t('command_starts');
  if (action.is_switch) return t('command_on_off');
  return t('command_range', {
    min: valueSaid(action.min),
    max: valueSaid(action.max),
    unit: unitShown(action.unit),
  });
}

export function List({ commands }: { commands: Commands }) {
  const actions = actionsOf(commands);
  if (actions.length === 0) {
    return (
      <p>
        {t('command_none')} <a href={address('settings')}>{t('place_settings')}</a>
      </p>
    );
  }
  const modules = [...new Set(actions.map((action) => action.module))];
  return (
    <>
      <p class="quiet">{t('command_what')}</p>
      {modules.map((module) => (
        <section key={module} class="rows tight">
          <h2 class="figure">{t('command_module', { module })}</h2>
          <ul class="sheet ruled">
            {actions
              .filter((action) => action.module === module)
              .map((action) => (
                <li key={action.id}>
                  <a class="line row apart" href={address('command', action.id)}>
                    <strong class="grow">{action.title}</strong>
                    <span class="quiet small">{takes(action)}</span>
                    <span class="quiet small figure">{action.id}</span>
                  </a>
                </li>
              ))}
          </ul>
        </section>
      ))}
    </>
  );
}
