/** A question or a page in front of everything else. */

import type { ComponentChildren } from 'preact';
import { useEffect, useRef } from 'preact/hooks';
import { t } from '../text';

export function Dialog(props: { title: string; close: () => void; children: ComponentChildren }) {
  const box = useRef<HTMLDialogElement>(null);
  useEffect(() => {
    box.current?.showModal();
  }, []);
  return (
    <dialog ref={box} aria-label={props.title} onClose={props.close}>
      <div class="rows">
        <div class="row apart">
          <h2>{props.title}</h2>
          <button type="button" class="key slim" onClick={() => box.current?.close()}>
            {t('close')}
          </button>
        </div>
        {props.children}
      </div>
    </dialog>
  );
}
