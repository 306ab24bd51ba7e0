/** Another drive laid over the one that is looked at: before and after. */

import { useEffect, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { DriveSummary } from '../../api/types';
import { drives } from '../../app/lists';
import { tried } from '../../app/state';
import { moment, t } from '../../text';
import type { Board } from '../../trace/board';
import { DriveData } from '../../trace/drive-data';

export interface Other {
  id: string;
  drive: DriveSummary;
  data: DriveData;
  /** How much later its moments are laid, s. */
  shift: number;
}

export interface Overlay {
  shown: Other | null;
  choose(id: string | null): void;
  shift(by: number): void;
}

/** Keeps what is shown of the other drive in step with what is looked at. */
export function useOther(ids: string[], board: Board, changed: () => void): Overlay {
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
    setShown({ id, drive, data: new DriveData(id, whole, changed), shift: 0 });
  };
  return {
    shown,
    choose: (id) => void choose(id),
    shift: (by) => setShown((now) => now && { ...now, shift: Math.round((now.shift + by) * 1000) / 1000 }),
  };
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
        <fieldset class="group" aria-label={t('review_shift', { s: other.shown.shift.toFixed(1) })}>
          <button type="button" class="key slim" onClick={() => other.shift(-1)}>
            −1 s
          </button>
          <output class="key slim figure">{other.shown.shift.toFixed(1)} s</output>
          <button type="button" class="key slim" onClick={() => other.shift(1)}>
            +1 s
          </button>
          {a !== null && b !== null && (
            <button type="button" class="key slim" onClick={() => other.shift(a - b)}>
              {t('review_shift_cursors')}
            </button>
          )}
        </fieldset>
      )}
    </>
  );
}
