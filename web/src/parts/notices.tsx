/** What went wrong, and what to be careful about. */

import { trouble } from '../app/state';
import { t } from '../text';

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
