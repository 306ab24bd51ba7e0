/** A drive, a table or a case from another shop is brought in. */

import { useState } from 'preact/hooks';
import { sendFile } from '../../api/http';
import type { TakenIn } from '../../api/types';
import { address } from '../../app/router';
import { session, tried } from '../../app/state';
import { t } from '../../text';
import { said } from '../../text/said';

export function Incoming() {
  const [isBusy, setBusy] = useState(false);
  const [taken, setTaken] = useState<TakenIn | null>(null);
  if (!session.value?.may_hold) return null;
  const take = async (file: File | undefined) => {
    if (!file) return;
    setBusy(true);
    const name = encodeURIComponent(file.name);
    setTaken((await tried(sendFile<TakenIn>('POST', `/uploads?name=${name}`, file))) ?? null);
    setBusy(false);
  };
  return (
    <section class="rows tight" aria-labelledby="incoming">
      <h2 id="incoming">{t('incoming_title')}</h2>
      <p class="quiet">{t('incoming_what')}</p>
      <div class="row">
        <label class="key file" aria-disabled={isBusy}>
          {t(isBusy ? 'incoming_busy' : 'incoming_choose')}
          <input
            type="file"
            disabled={isBusy}
            onChange={(event) => {
              const input = event.currentTarget;
              void take(input.files?.[0]).then(() => {
                input.value = '';
              });
            }}
          />
        </label>
        <span class="grow" role="status">
          {taken?.drive && <a href={address('review', taken.drive)}>{t('incoming_drive')}</a>}
          {taken?.case && t('incoming_case', { n: taken.case.number })}
        </span>
      </div>
      {taken?.notes.map((note) => (
        <p class="small" key={note}>
          {said(note)}
        </p>
      ))}
      {taken?.problems.map((problem) => (
        <p class="trouble small" key={problem}>
          {said(problem)}
        </p>
      ))}
    </section>
  );
}
