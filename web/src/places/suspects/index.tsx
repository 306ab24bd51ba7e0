/** The suspects of the open case. */

import { t } from '../../text';

export function Suspects() {
  return (
    <div class="rows">
      <h2>{t('suspects')}</h2>
      <p class="quiet">{t('suspects_none')}</p>
    </div>
  );
}
