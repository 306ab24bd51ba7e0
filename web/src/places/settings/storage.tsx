/** Where everything is kept, how large it is, and a copy of the casebook to put away. */

import { useEffect, useState } from 'preact/hooks';
import { get } from '../../api/http';
import type { StorageJson } from '../../api/types';
import { session, tried } from '../../app/state';
import { count, number, t } from '../../text';

/** A size in the unit that leaves one to three digits before the point. */
function size(bytes: number): string {
  const [unit, scale] = bytes < 1e9 ? ['MB', 1e6] : ['GB', 1e9];
  return `${number(bytes / (scale as number), bytes < 1e8 ? 1 : 0)} ${unit}`;
}

export function Storage() {
  const [storage, setStorage] = useState<StorageJson | null>(null);
  useEffect(() => {
    void tried(get<StorageJson>('/settings/storage')).then((told) => told && setStorage(told));
  }, []);
  if (!storage) return null;
  const facts = [
    [t('storage_folder'), storage.folder],
    [t('storage_drives'), `${count('storage_n_drives', storage.n_drives)}, ${size(storage.drive_bytes)}`],
    [t('storage_all'), size(storage.all_bytes)],
    [t('storage_left'), storage.disk_left === null ? t('storage_untold') : size(storage.disk_left)],
  ];
  return (
    <section class="rows" aria-labelledby="storage">
      <h2 id="storage">{t('settings_storage')}</h2>
      <dl class="sheet ruled">
        {facts.map(([name, value]) => (
          <div class="row apart line" key={name}>
            <dt>{name}</dt>
            <dd class="figure wrap">{value}</dd>
          </div>
        ))}
      </dl>
      {session.value?.is_bench && (
        <div class="row">
          <a class="key" href="/api/settings/backup" download="casebook.sqlite">
            {t('storage_backup')}
          </a>
          <span class="quiet small grow">{t('storage_backup_what')}</span>
        </div>
      )}
    </section>
  );
}
