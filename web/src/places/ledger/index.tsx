/** The ledger: what happened, in order, the newest first. */

import { drives } from '../../app/lists';
import { address, where } from '../../app/router';
import { count, moment, t } from '../../text';

export function Ledger() {
  return (
    <div class="rows">
      <h2 class="wide">{t('ledger')}</h2>
      {drives.value.length === 0 && <p class="quiet wide">{t('ledger_empty')}</p>}
      <ol class="spine">
        {drives.value.map((drive) => (
          <li key={drive.id}>
            <a
              href={address('review', drive.id)}
              aria-current={where.value.what === drive.id ? 'true' : undefined}
              title={drive.id}
            >
              <svg class="knot" viewBox="0 0 16 16" aria-hidden="true">
                <circle cx="8" cy="8" r="5.500" />
              </svg>
              <span class="wide">
                <span class="label">{moment(drive.written_unix_s)}</span>
                <strong>{t('entry_drive')}</strong>
                <span class="quiet small">{count('megabytes', Math.max(0.1, drive.bytes / 1e6))}</span>
              </span>
            </a>
          </li>
        ))}
      </ol>
    </div>
  );
}
