/** What went wrong, and what to be careful about. */

import { state, trouble } from '../app/state';
import { clock, t } from '../text';

export function Trouble() {
  if (!trouble.value) return null;
  return (
    <div class="trouble row apart" role="alert">
      <div class="grow">
        <strong>{trouble.value.message}</strong>
        {trouble.value.hints.map((hint) => (
          <p key={hint}>{hint}</p>
        ))}
      </div>
      <button
        type="button"
        class="key slim"
        onClick={() => {
          trouble.value = null;
        }}
      >
        {t('put_away')}
      </button>
    </div>
  );
}

/** What happened last to the recording that runs: an adapter that was lost, and came back. */
export function RecordingNote() {
  const car = state.value?.car;
  const note = car?.recording?.notes.at(-1);
  if (!note || (car?.stage !== 'recording' && car?.stage !== 'commanding')) return null;
  return (
    <p class="note" role="status">
      <span class="figure">{clock(note.t_s)}</span> {note.text}
    </p>
  );
}

export function Caution({ lines }: { lines: readonly string[] }) {
  return (
    <div class="caution" role="note">
      <strong class="label">{t('caution')}</strong>
      {lines.map((line) => (
        <p key={line}>{line}</p>
      ))}
    </div>
  );
}
