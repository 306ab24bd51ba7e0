/** Another drive laid over the one that is looked at: before and after. */

import { useEffect, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { DriveSummary } from '../../api/types';
import { drives, titleOf } from '../../app/lists';
import { tried } from '../../app/state';
import { digits, moment, number, t } from '../../text';
import { bestShift, GRID, onGrid } from '../../trace/align';
import type { Board } from '../../trace/board';
import { DriveData } from '../../trace/drive-data';

export interface Other {
  id: string;
  drive: DriveSummary;
  data: DriveData;
  /** How much later its moments are laid, s. */
  shift: number;
  /** What the last search for a shift said. */
  aligned: string | null;
}

/** Signals that say best how a drive went, in this order. */
const TELLING = ['vehicle.speed', 'engine.speed', 'pedal.position_1', 'engine.load'];

export interface Overlay {
  shown: Other | null;
  choose(id: string | null): void;
  shift(by: number): void;
  /** Looks for the shift at which both run most alike. */
  align(): void;
}

/** Keeps what is shown of the other drive in step with what is looked at. */
export function useOther(
  own: { drive: DriveSummary; data: DriveData },
  ids: string[],
  board: Board,
  changed: () => void,
): Overlay {
  const [shown, setShown] = useState<Other | null>(null);
  const key = ids.join();
  useEffect(() => {
    if (!shown) return;
    const places = ids.map((id) => shown.drive.signals.findIndex((signal) => signal.id === id));
    void tried(
      shown.data.choose(
        places.filter((place) => place >= 0),
        board.width,
      ),
    );
  }, [shown?.data, key]);
  useEffect(
    () =>
      board.view.subscribe(({ from, to }) => {
        shown?.data.look({ from: from - shown.shift, to: to - shown.shift }, board.width);
      }),
    [board, shown],
  );
  const choose = async (id: string | null) => {
    setShown(null);
    const drive = id && (await tried(get<DriveSummary>(`/drives/${encodeURIComponent(id)}`)));
    if (!id || !drive) return;
    const whole = { from: 0, to: Math.max(drive.duration_s, 0.01) };
    setShown({ id, drive, data: new DriveData(id, whole, changed), shift: 0, aligned: null });
  };
  const align = async () => {
    if (!shown) return;
    const found = await tried(shiftOf(own, shown, ids));
    if (found) setShown((now) => (now?.id === shown.id ? { ...now, ...found } : now));
  };
  return {
    shown,
    choose: (id) => void choose(id),
    shift: (by) =>
      setShown((now) => now && { ...now, shift: Math.round((now.shift + by) * 1000) / 1000, aligned: null }),
    align: () => void align(),
  };
}

/** Where the other drive runs most like this one, by the most telling signal that both have. */
async function shiftOf(
  own: { drive: DriveSummary; data: DriveData },
  other: Other,
  shown: string[],
): Promise<Partial<Other>> {
  const place = (drive: DriveSummary, id: string) => drive.signals.findIndex((signal) => signal.id === id);
  const id = [...TELLING, ...shown].find((one) => place(own.drive, one) >= 0 && place(other.drive, one) >= 0);
  if (!id) return { aligned: t('review_align_unshared') };
  const step_s = Math.max(own.drive.duration_s, other.drive.duration_s, 0.01) / GRID;
  const grids = [own, other].map(async ({ drive, data }) =>
    onGrid(await data.wholeOf(place(drive, id), GRID), step_s, GRID),
  );
  const [a, b] = await Promise.all(grids);
  const best = a && b && bestShift(a, b);
  const what = titleOf(id);
  if (!best) return { aligned: t('review_align_none', { what }) };
  const shift = Math.round(best.steps * step_s * 1000) / 1000;
  return { shift, aligned: t('review_align_found', { what, r: number(best.correlation, 2) }) };
}

export function OtherBar({ own, other, board }: { own: string; other: Overlay; board: Board }) {
  const rest = drives.value.filter((drive) => drive.id !== own);
  const [a, b] = board.cursors.value;
  if (rest.length === 0) return null;
  return (
    <>
      <label class="row">
        <span class="label">{t('review_other')}</span>
        <select
          class="key slim"
          value={other.shown?.id ?? ''}
          onChange={(event) => other.choose(event.currentTarget.value || null)}
        >
          <option value="">{t('review_other_none')}</option>
          {rest.map((drive) => (
            <option key={drive.id} value={drive.id}>
              {moment(drive.written_unix_s)}
            </option>
          ))}
        </select>
      </label>
      {other.shown && (
        <fieldset class="group" aria-label={t('review_shift', { s: digits(other.shown.shift.toFixed(1)) })}>
          <button type="button" class="key slim" onClick={() => other.shift(-1)}>
            −1 s
          </button>
          <output class="key slim figure">{digits(other.shown.shift.toFixed(1))} s</output>
          <button type="button" class="key slim" onClick={() => other.shift(1)}>
            +1 s
          </button>
          <button type="button" class="key slim" onClick={other.align}>
            {t('review_align')}
          </button>
          {a !== null && b !== null && (
            <button type="button" class="key slim" onClick={() => other.shift(a - b)}>
              {t('review_shift_cursors')}
            </button>
          )}
        </fieldset>
      )}
      {other.shown?.aligned && (
        <p class="quiet small told" role="status">
          {other.shown.aligned}
        </p>
      )}
    </>
  );
}
