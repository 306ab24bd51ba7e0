/** What checks look at: a signal over speed and load, two tracks over their travel, what repeats with the wheels. */

import { useState } from 'preact/hooks';
import type { DriveSummary, Finding, Pictures } from '../../api/types';
import { titleOf } from '../../app/lists';
import { useAnswer } from '../../parts/use-answer';
import { t } from '../../text';
import { said } from '../../text/said';
import { LoadMaps } from './load-map';
import type { Other } from './other';
import { PairErrors } from './pair-error';
import { WheelTurns } from './wheel-turns';

export type Shows = 'traces' | 'map' | 'pair' | 'wheels' | 'healthy';

/** Two tracks of one sensor. */
type Pair = readonly [string, string];

const FAMILIES = ['pedal.position_', 'throttle.position_'];

/** All pairs of tracks that were recorded. */
export function pairsOf(drive: DriveSummary): Pair[] {
  return FAMILIES.flatMap((family) => {
    const tracks = drive.signals.map((signal) => signal.id).filter((id) => id.startsWith(family));
    return tracks.flatMap((first, k) => tracks.slice(k + 1).map((second): Pair => [first, second]));
  });
}

function canShow(drive: DriveSummary): Shows[] {
  const has = (start: string) => drive.signals.some((signal) => signal.id.startsWith(start));
  return [
    'traces',
    ...(has('engine.speed') && drive.signals.length > 1 ? (['map'] as const) : []),
    ...(pairsOf(drive).length > 0 ? (['pair'] as const) : []),
    ...(has('wheel.speed.') ? (['wheels'] as const) : []),
    'healthy',
  ];
}

export function ViewChoice(props: { drive: DriveSummary; shows: Shows; change: (shows: Shows) => void }) {
  return (
    <fieldset class="group" aria-label={t('review_shows')}>
      {canShow(props.drive).map((one) => (
        <button
          type="button"
          key={one}
          class="key slim"
          aria-pressed={props.shows === one}
          onClick={() => props.change(one)}
        >
          {t(`shows_${one}`)}
        </button>
      ))}
    </fieldset>
  );
}

interface Chosen {
  shows: Exclude<Shows, 'traces' | 'healthy'>;
  signals: string[];
  pairs: Pair[];
}

/** What can be chosen for a picture; what the findings are about comes first. */
export function picturesOf(
  shows: Chosen['shows'],
  drive: DriveSummary,
  findings: readonly Finding[],
): Chosen {
  const about = findings.filter((one) => one.verdict !== 'healthy').flatMap((one) => one.subject);
  const first = (id: string) => (about.includes(id) ? 0 : 1);
  const counters = (id: string) => (id.startsWith('misfire.') ? 0 : 1);
  const signals = drive.signals.map((signal) => signal.id).filter((id) => id !== 'engine.speed');
  signals.sort((a, b) => first(a) - first(b) || counters(a) - counters(b));
  return { shows, signals, pairs: pairsOf(drive) };
}

export function PictureView({
  shows,
  signals,
  pairs,
  id,
  other,
}: Chosen & { id: string; other: Other | null }) {
  const [signal, setSignal] = useState(signals[0] ?? '');
  const [pair, setPair] = useState(0);
  const query = {
    map: `map=${encodeURIComponent(signal)}`,
    pair: `pair=${encodeURIComponent((pairs[pair] ?? []).join(','))}`,
    wheels: 'wheels=true',
  }[shows];
  const own = usePictures(id, query);
  const others = usePictures(other?.id ?? null, query);
  if (!own) {
    return (
      <p class="picture quiet" role="status">
        {t('picture_making')}
      </p>
    );
  }
  return (
    <div class="picture rows">
      {shows === 'map' && (
        <Select
          label={t('picture_signal')}
          value={signal}
          change={setSignal}
          options={signals.map((one) => [one, titleOf(one)])}
        />
      )}
      {shows === 'pair' && pairs.length > 1 && (
        <Select
          label={t('picture_pair')}
          value={String(pair)}
          change={(chosen) => setPair(Number(chosen))}
          options={pairs.map((both, k) => [String(k), both.map(titleOf).join(' – ')])}
        />
      )}
      {[...own.problems, ...(others?.problems ?? [])].map((problem) => (
        <p class="quiet" key={problem}>
          {said(problem)}
        </p>
      ))}
      {own.map && <LoadMaps map={own.map} other={others?.map ?? null} />}
      {own.pair && <PairErrors pair={own.pair} other={others?.pair ?? null} />}
      {own.wheels && <WheelTurns wheels={own.wheels} other={others?.wheels ?? null} />}
    </div>
  );
}

/** The pictures of a drive, asked for anew when something else is wanted. */
function usePictures(id: string | null, query: string): Pictures | null {
  const of = id === null ? null : `/drives/${encodeURIComponent(id)}/pictures?${query}`;
  return useAnswer<Pictures>(of) ?? null;
}

function Select(props: {
  label: string;
  value: string;
  change: (value: string) => void;
  options: [string, string][];
}) {
  return (
    <label class="row">
      <span class="label">{props.label}</span>
      <select
        class="key slim"
        value={props.value}
        onChange={(event) => props.change(event.currentTarget.value)}
      >
        {props.options.map(([value, text]) => (
          <option key={value} value={value}>
            {text}
          </option>
        ))}
      </select>
    </label>
  );
}
