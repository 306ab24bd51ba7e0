/** How the traces are arranged. */

import { t } from '../text';
import type { Board } from './board';

export function Layouts(props: { layout: Board['layout']; change: (layout: Board['layout']) => void }) {
  return (
    <fieldset class="group" aria-label={t('layout')}>
      {(['stacked', 'own', 'shared'] as const).map((one) => (
        <button
          type="button"
          key={one}
          class="key slim"
          aria-pressed={props.layout === one}
          onClick={() => props.change(one)}
        >
          {t(`layout_${one}`)}
        </button>
      ))}
    </fieldset>
  );
}
