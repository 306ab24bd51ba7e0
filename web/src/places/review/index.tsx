/** Review: a drive of minutes or hours, what every check makes of it, and where that shows. */

import { drives } from '../../app/lists';
import { address } from '../../app/router';
import { moment, number, t } from '../../text';
import { DriveView } from './drive';

export function Review({ what }: { what: string | null }) {
  return what === null ? <Choose /> : <DriveView id={what} />;
}

function Choose() {
  return (
    <div class="place">
      <div class="rows measure">
        <h1>{t('review_title')}</h1>
        {drives.value.length === 0 && <p class="quiet">{t('review_none')}</p>}
        <ul class="sheet ruled" hidden={drives.value.length === 0}>
          {drives.value.map((drive) => (
            <li key={drive.id}>
              <a class="line row apart" href={address('review', drive.id)}>
                <strong class="figure">{moment(drive.written_unix_s)}</strong>
                <span class="quiet small grow">{drive.id}</span>
                <span class="quiet small figure">{megabytes(drive.bytes)}</span>
              </a>
            </li>
          ))}
        </ul>
      </div>
    </div>
  );
}

function megabytes(bytes: number): string {
  const n = Math.max(0.1, bytes / 1e6);
  return t('megabytes', { n: number(n, n < 10 ? 1 : 0) });
}
