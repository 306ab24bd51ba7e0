/** The frame of everything: the strip of the case above, ledger, bench and suspects side by side or one thumb apart. */

import { useEffect } from 'preact/hooks';
import { Dialog } from '../parts/dialog';
import { RecordingNote, Trouble } from '../parts/notices';
import { Join } from '../places/join/index';
import { Ledger } from '../places/ledger/index';
import { Suspects } from '../places/suspects/index';
import { t } from '../text';
import { helpIsOpen, helpLines } from './keys';
import { room } from './rooms';
import { address, type Place, type Side, side, where } from './router';
import { connected, needsCode, session } from './state';
import { Strip } from './strip';

/** Places that the strip of work offers, in the order of a case. */
const work: readonly Place[] = ['survey', 'live', 'road', 'review', 'command', 'swap', 'report'];

export function Shell() {
  const { place, what } = where.value;
  const isIn = session.value !== null;
  useEffect(() => {
    // On a narrow screen the strip of work is longer than the screen.
    const link = isIn && document.querySelector(`.work [href="${address(place)}"]`);
    if (link) link.scrollIntoView({ block: 'nearest', inline: 'center' });
  }, [place, isIn]);
  if (needsCode.value) return <Join />;
  if (!session.value) {
    return (
      <main class="place">
        <p class="quiet" role="status">
          {t('reaching')}
        </p>
      </main>
    );
  }
  const Room = room(place);
  return (
    <div class="shell" data-side={side.value}>
      <Strip />
      <aside class="ledger-side" data-part="ledger" tabIndex={-1} aria-label={t('ledger')}>
        <Unfold />
        <Ledger />
      </aside>
      <main class="bench" data-part="bench" tabIndex={-1}>
        <nav class="work" aria-label={t('work')}>
          {work.map((one) => (
            <a key={one} href={address(one)} aria-current={one === place ? 'page' : undefined}>
              {t(`place_${one}` as 'place_live')}
            </a>
          ))}
        </nav>
        {!connected.value && (
          <p class="trouble" role="status">
            {t('offline')}
          </p>
        )}
        <Trouble />
        <RecordingNote />
        {Room ? (
          <Room key={`${place}/${what}`} what={what} />
        ) : (
          <p class="quiet waiting" role="status">
            {t('room_loading')}
          </p>
        )}
      </main>
      <aside class="suspects-side" data-part="suspects" tabIndex={-1} aria-label={t('suspects')}>
        <Suspects />
      </aside>
      <nav class="thumb" aria-label={t('sides')}>
        {(['ledger', 'bench', 'suspects'] as const).map((one: Side) => (
          <button
            type="button"
            key={one}
            aria-current={side.value === one ? 'true' : undefined}
            onClick={() => {
              side.value = one;
            }}
          >
            {t(one)}
          </button>
        ))}
      </nav>
      {helpIsOpen.value && <Help />}
    </div>
  );
}

/** Where there is room for the spine of the ledger alone, this shows all of it. */
function Unfold() {
  const isOpen = side.value === 'ledger';
  return (
    <button
      type="button"
      class="key unfold"
      aria-label={t('ledger')}
      aria-expanded={isOpen}
      onClick={() => {
        side.value = isOpen ? 'bench' : 'ledger';
      }}
    >
      <span aria-hidden="true">{isOpen ? '«' : '»'}</span>
    </button>
  );
}

function Help() {
  return (
    <Dialog
      title={t('keys')}
      close={() => {
        helpIsOpen.value = false;
      }}
    >
      <dl class="ruled">
        {helpLines.map(([keys, text]) => (
          <div class="row apart" key={keys}>
            <dt class="figure">{keys}</dt>
            <dd>{t(text)}</dd>
          </div>
        ))}
      </dl>
    </Dialog>
  );
}
