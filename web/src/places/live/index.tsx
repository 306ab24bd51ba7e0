/** Live: numbers and traces of a drive while it is recorded. Whatever is looked at is recorded too. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import { state, takeCar, tried } from '../../app/state';
import { Busy, CarFailure, Caution, NoCar, OtherCar, RecordingLost } from '../../parts/notices';
import { count, t } from '../../text';
import { Choice } from './choice';
import { Running } from './running';

const kept = (): string[] => {
  try {
    const ids: unknown = JSON.parse(localStorage.getItem('signals') ?? '[]');
    return Array.isArray(ids) ? ids.filter((id) => typeof id === 'string') : [];
  } catch {
    return [];
  }
};

export function Live() {
  const car = state.value?.car;
  const isRunning = car?.stage === 'recording' && car.recording !== null;
  if (isRunning) return <Running recording={car.recording!} />;
  return <Before />;
}

function Before() {
  const [chosen, setChosen] = useState(kept);
  const car = state.value?.car;
  const change = (ids: string[]) => {
    setChosen(ids);
    localStorage.setItem('signals', JSON.stringify(ids));
  };
  const begin = async () => {
    if (await takeCar()) await tried(send('POST', '/car/record', { signals: chosen, seconds: null }));
  };
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('live_title')}</h1>
        <NoCar />
        <OtherCar />
        <Busy />
        <CarFailure />
        <RecordingLost />
        <Caution lines={[t('caution_drive'), t('caution_cable')]} />
        <button
          type="button"
          class="key main"
          disabled={!car?.vehicle || car.stage !== 'ready' || chosen.length === 0}
          onClick={() => void begin()}
        >
          {car?.stage === 'planning'
            ? t('stage_planning')
            : chosen.length === 0
              ? t('live_choose_first')
              : count('live_begin', chosen.length)}
        </button>
        <Choice chosen={chosen} change={change} />
      </div>
    </div>
  );
}
