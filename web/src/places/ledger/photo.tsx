/** A picture for the ledger, from the phone's camera or from a file, with what it shows. */

import { useState } from 'preact/hooks';
import { sendFile } from '../../api/http';
import type { Entry } from '../../api/types';
import { inCase, openNumber } from '../../app/lists';
import { session, tried } from '../../app/state';
import { t } from '../../text';
import { Elsewhere, photo } from './draft';

const KINDS = 'image/jpeg,image/png';

export function AddPhoto() {
  const [isBusy, setBusy] = useState(false);
  if (!session.value?.may_hold) return null;
  const begun = photo.value;
  if (!begun) {
    const take = (file: File | null) => {
      photo.value = file && { file, text: '', of: openNumber() };
    };
    return (
      <div class="row wide">
        <Picker label={t('photo_take')} takes={take} isCamera />
        {/* A camera key leaves the pictures out that are on the phone already. */}
        {matchMedia('(pointer: coarse)').matches && <Picker label={t('photo_choose')} takes={take} />}
      </div>
    );
  }
  const { file, text, of } = begun;
  const keep = async (event: Event) => {
    event.preventDefault();
    setBusy(true);
    const path = inCase(`/case/photo?text=${encodeURIComponent(text)}`, of);
    if (await tried(sendFile('POST', path, file).then(() => true))) photo.value = null;
    setBusy(false);
  };
  return (
    <form class="rows tight wide" onSubmit={(event) => void keep(event)}>
      <Elsewhere of={of} />
      <label class="field">
        <span class="label">{t('photo_what', { file: file.name })}</span>
        <input
          required
          value={text}
          onInput={(event) => {
            photo.value = { ...begun, text: event.currentTarget.value };
          }}
        />
      </label>
      <div class="row">
        <button type="submit" class="key main" disabled={isBusy}>
          {t('photo_keep')}
        </button>
        <button
          type="button"
          class="key"
          disabled={isBusy}
          onClick={() => {
            photo.value = null;
          }}
        >
          {t('photo_drop')}
        </button>
      </div>
    </form>
  );
}

function Picker(props: { label: string; takes: (file: File | null) => void; isCamera?: boolean }) {
  return (
    <label class="key file">
      {props.label}
      <input
        type="file"
        accept={KINDS}
        capture={props.isCamera ? 'environment' : undefined}
        onChange={(event) => props.takes(event.currentTarget.files?.[0] ?? null)}
      />
    </label>
  );
}

/** The picture of an entry, small; it opens whole. */
export function PhotoOf({ entry }: { entry: Entry }) {
  const { content } = entry;
  if (content.kind !== 'photo') return null;
  const source = `/api/case/photo/${content.file.sha256}`;
  return (
    <a class="photo wide below" href={source} target="_blank" rel="noreferrer">
      <img src={source} alt={content.text} loading="lazy" />
    </a>
  );
}
