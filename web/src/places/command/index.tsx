/** Command: an output or routine of a module is driven for as long as somebody holds the button, beside its traces. */

import { useEffect, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { Commands } from '../../api/types';
import { state, tried } from '../../app/state';
import { NoCar } from '../../parts/notices';
import { t } from '../../text';
import { type Action, actionsOf, List } from './list';
import { Outcome } from './outcome';
import { Prepare } from './prepare';
import { Running } from './running';

export function Command({ what }: { what: string | null }) {
  const car = state.value?.car;
  const commands = useCommands();
  const command = car?.command;
  const find = (id: string): Action | undefined => actionsOf(commands).find((action) => action.id === id);
  if (car?.stage === 'commanding' && command && car.recording) {
    return <Running command={command} recording={car.recording} action={find(command.id)} />;
  }
  const chosen = what === null ? undefined : find(what);
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{chosen?.title ?? t('place_command')}</h1>
        <NoCar />
        {command?.done && (what === null || command.id === what) && (
          <Outcome
            done={command.done}
            drive={car?.recording?.drive ?? null}
            title={find(command.id)?.title}
          />
        )}
        {chosen && commands ? (
          <Prepare key={chosen.id} action={chosen} general={commands.cautions} />
        ) : (
          car?.vehicle && commands && <List commands={commands} />
        )}
      </div>
    </div>
  );
}

/** What the modules of the connected car can be told to do. */
function useCommands(): Commands | null {
  const [commands, setCommands] = useState<Commands | null>(null);
  const car = state.value?.car;
  const which = car?.vehicle ? `${car.adapter} ${car.vehicle.vin}` : null;
  useEffect(() => {
    if (which === null) setCommands(null);
    else void tried(get<Commands>('/car/commands')).then((told) => told && setCommands(told));
  }, [which]);
  return commands;
}
