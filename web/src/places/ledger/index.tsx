/** The ledger of the open case: everything that happened, in order, the newest first; only added to. */

import { get } from '../../api/http';
import type { Entry } from '../../api/types';
import { driveOf, drives, enter, openCase } from '../../app/lists';
import { address, where } from '../../app/router';
import { tried } from '../../app/state';
import { moment, t } from '../../text';
import { corrected } from './corrected';
import { describe, type Knot } from './describe';
import { Elsewhere, note, writeNote } from './draft';
import { AddPhoto, PhotoOf } from './photo';

export function Ledger() {
  const shown = openCase.value;
  if (!shown) return <Loose />;
  const struck = corrected(shown.entries);
  const examined = new Set(
    shown.entries.flatMap(({ content }) => (content.kind === 'finding' ? [content.file.sha256] : [])),
  );
  const commanded = shown.entries.flatMap(({ content }) =>
    content.kind === 'command' ? [driveOf((content.details as { drive?: string } | null)?.drive ?? '')] : [],
  );
  /** What a drive that no check has looked at is asked for by. */
  const unexamined = ({ content }: Entry) =>
    content.kind === 'drive' &&
    !examined.has(content.file.sha256) &&
    !commanded.includes(driveOf(content.file.path))
      ? driveOf(content.file.path)
      : null;
  return (
    <div class="rows">
      <h2 class="wide">{t('ledger')}</h2>
      <Note />
      <AddPhoto />
      <ol class="spine">
        {shown.entries.toReversed().map((entry) => (
          <One
            key={entry.number}
            entry={entry}
            isCorrected={struck.has(entry.number)}
            unexamined={unexamined(entry)}
          />
        ))}
      </ol>
    </div>
  );
}

function One(props: { entry: Entry; isCorrected: boolean; unexamined: string | null }) {
  const { entry, isCorrected, unexamined } = props;
  const { knot, title, line, link } = describe(entry);
  const inside = (
    <>
      <Shape knot={knot} />
      <span class="wide">
        <span class="label">
          {moment(entry.time_unix_ms / 1000)} · {entry.who}
        </span>
        <strong class={isCorrected ? 'struck' : undefined}>{title}</strong>
        <span class="quiet small line-clamp">{line}</span>
      </span>
    </>
  );
  const isHere = link !== null && link === address(where.value.place, where.value.what);
  return (
    <li>
      {link ? (
        <a href={link} title={title} aria-current={isHere ? 'true' : undefined}>
          {inside}
        </a>
      ) : (
        <div class="entry" title={title}>
          {inside}
        </div>
      )}
      <PhotoOf entry={entry} />
      {unexamined !== null && (
        <button
          type="button"
          class="key slim wide below"
          onClick={() => void tried(get(`/drives/${encodeURIComponent(unexamined)}/examined`))}
        >
          {t('ledger_examine')}
        </button>
      )}
    </li>
  );
}

function Shape({ knot }: { knot: Knot }) {
  const shapes = {
    ring: <circle cx="8" cy="8" r="5.500" />,
    square: <path d="M3 3h10v10H3z" />,
    diamond: <path d="m8 1.500 6.500 6.500L8 14.500 1.500 8z" />,
    triangle: <path d="M8 2.500 14 13H2z" />,
    dot: <circle cx="8" cy="8" r="3" />,
    cross: <path d="m3 3 10 10M13 3 3 13" />,
  };
  return (
    <svg class="knot" viewBox="0 0 16 16" aria-hidden="true">
      {shapes[knot]}
    </svg>
  );
}

function Note() {
  const { text, of } = note.value;
  const form = (
    <form
      class="row wide"
      onSubmit={async (event) => {
        event.preventDefault();
        if ((await enter({ kind: 'note', text }, of)) && note.value.text === text)
          note.value = { text: '', of: undefined };
      }}
    >
      <label class="field grow">
        <span class="unseen">{t('note')}</span>
        <input
          required
          placeholder={t('note')}
          value={text}
          onInput={(event) => writeNote(event.currentTarget.value)}
        />
      </label>
      <button type="submit" class="key">
        {t('note_add')}
      </button>
    </form>
  );
  return (
    <>
      {text !== '' && <Elsewhere of={of} />}
      {form}
    </>
  );
}

/** Without a case: what was recorded all the same. */
function Loose() {
  return (
    <div class="rows">
      <h2 class="wide">{t('ledger')}</h2>
      <p class="quiet wide">{t('ledger_empty')}</p>
      <ol class="spine" hidden={drives.value.length === 0}>
        {drives.value.map((drive) => (
          <li key={drive.id}>
            <a
              href={address('review', drive.id)}
              title={drive.id}
              aria-current={where.value.what === drive.id ? 'true' : undefined}
            >
              <Shape knot="ring" />
              <span class="wide">
                <span class="label">{moment(drive.written_unix_s)}</span>
                <strong>{t('entry_drive')}</strong>
              </span>
            </a>
          </li>
        ))}
      </ol>
    </div>
  );
}
