/** Pins a stretch of the drive to the ledger, with a comment. */

import { useState } from 'preact/hooks';
import type { Finding, Span } from '../../api/types';
import { enter, openCase, openNumber } from '../../app/lists';
import { Dialog } from '../../parts/dialog';
import { clock, t } from '../../text';
import { said } from '../../text/said';
import type { Board } from '../../trace/board';

interface Props {
  drive: string;
  board: Board;
  /** What is being looked at, if it is something that was found. */
  finding: Finding | null | undefined;
  span: Span | null;
}

/** What is meant: the stretch between the cursors, else the place that was found, else what is on the screen. */
function meant({ board, span }: Props): { from: number; to: number } {
  const [a, b] = board.cursors.value;
  if (a !== null && b !== null) return { from: Math.min(a, b), to: Math.max(a, b) };
  return span ? { from: span.from_s, to: span.to_s } : board.view.value;
}

export function PinButton(props: Props) {
  const [asking, setAsking] = useState<{ from: number; to: number; of: number | undefined } | null>(null);
  const [text, setText] = useState('');
  // A pin belongs to a case.
  if (!openCase.value) return null;
  return (
    <>
      <button
        type="button"
        class="key slim"
        onClick={() => {
          setText(said(props.finding?.statement ?? ''));
          setAsking({ ...meant(props), of: openNumber() });
        }}
      >
        {t('pin')}
      </button>
      {asking && (
        <Dialog title={t('pin_title')} close={() => setAsking(null)}>
          <form
            class="rows"
            onSubmit={async (event) => {
              event.preventDefault();
              const { from, to, of } = asking;
              if (await enter({ kind: 'pin', drive: props.drive, t_s: from, to_s: to, text }, of))
                setAsking(null);
            }}
          >
            <p class="figure">
              {clock(asking.from, 3)} – {clock(asking.to, 3)}
            </p>
            <p class="quiet small">{t('pin_hint')}</p>
            <label class="field">
              <span class="label">{t('pin_text')}</span>
              <textarea
                required
                rows={4}
                value={text}
                onInput={(event) => setText(event.currentTarget.value)}
              />
            </label>
            <button type="submit" class="key main">
              {t('pin')}
            </button>
          </form>
        </Dialog>
      )}
    </>
  );
}
