/** Keeps a drive as that of a healthy car, so that later ones of its model can be laid over it. */

import { useState } from 'preact/hooks';
import { enter, openCase, openNumber } from '../../app/lists';
import { session } from '../../app/state';
import { Dialog } from '../../parts/dialog';
import { t } from '../../text';

export function KeepAsHealthy(props: { drive: string; model: string }) {
  const [model, setModel] = useState<string | null>(null);
  const [text, setText] = useState('');
  const [of, setOf] = useState<number | undefined>();
  // It is written into a ledger, by somebody who works.
  if (!openCase.value || !session.value?.may_hold) return null;
  return (
    <>
      <button
        type="button"
        class="key"
        onClick={() => {
          setOf(openNumber());
          setModel(props.model);
        }}
      >
        {t('healthy_keep')}
      </button>
      {model !== null && (
        <Dialog title={t('healthy_keep_title')} close={() => setModel(null)}>
          <form
            class="rows"
            onSubmit={async (event) => {
              event.preventDefault();
              if (await enter({ kind: 'healthy', drive: props.drive, model, text }, of)) setModel(null);
            }}
          >
            <p>{t('healthy_keep_hint')}</p>
            <label class="field">
              <span class="label">{t('healthy_model')}</span>
              <input required value={model} onInput={(event) => setModel(event.currentTarget.value)} />
            </label>
            <label class="field">
              <span class="label">{t('healthy_keep_text')}</span>
              <textarea
                required
                rows={3}
                value={text}
                onInput={(event) => setText(event.currentTarget.value)}
              />
            </label>
            <button type="submit" class="key main">
              {t('healthy_keep')}
            </button>
          </form>
        </Dialog>
      )}
    </>
  );
}
