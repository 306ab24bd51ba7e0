/** Choosing signals: by searching, or from a watchlist. */

import { useState } from 'preact/hooks';
import { send } from '../../api/http';
import { lastProof, refreshWatchlists, signals, suspects, titleOf, watchlists } from '../../app/lists';
import { tried } from '../../app/state';
import { count, t, unitShown, word } from '../../text';
import { said } from '../../text/said';
import { forProof, type Proposal, proposals } from './propose';
import { matches } from './search';

/** What the open case suggests to record. */
function proposed(): Proposal[] {
  const proof = forProof(lastProof.value?.proof ?? null, signals.value);
  const areas = proposals(suspects.value?.areas ?? [], signals.value);
  return [
    ...proof.map((one) => ({ ...one, title: t('live_for_proof', { what: word('kind', one.title) }) })),
    ...areas.map((one) => ({ ...one, title: t('live_for_suspect', { what: said(one.title) }) })),
  ];
}

/** Most hits that are listed. */
const SHOWN = 40;

export function Choice(props: { chosen: string[]; change: (chosen: string[]) => void }) {
  const [wanted, setWanted] = useState('');
  const [name, setName] = useState('');
  const readable = signals.value.filter((one) => one.readable);
  const hits = matches(readable, wanted);
  const toggle = (id: string) => {
    const has = props.chosen.includes(id);
    props.change(has ? props.chosen.filter((one) => one !== id) : [...props.chosen, id]);
  };
  return (
    <section class="rows" aria-label={t('live_choose')}>
      {proposed().map((one) => (
        <button type="button" class="key proposal" key={one.title} onClick={() => props.change(one.signals)}>
          <span>{one.title}</span>
          <span class="quiet small">{count('offers_signals', one.signals.length)}</span>
        </button>
      ))}
      <div class="row" role="group" aria-label={t('watchlists')}>
        {watchlists.value.map((list) => (
          <button type="button" class="key slim" key={list.name} onClick={() => props.change(list.signals)}>
            {list.name} <span class="quiet small">{count('offers_signals', list.signals.length)}</span>
          </button>
        ))}
      </div>
      {props.chosen.length > 0 && (
        <ul class="row" aria-label={t('live_chosen')}>
          {props.chosen.map((id) => (
            <li key={id}>
              <button type="button" class="key slim" aria-pressed="true" onClick={() => toggle(id)}>
                {titleOf(id)}
                <span aria-hidden="true">×</span>
                <span class="unseen">{t('leave_out')}</span>
              </button>
            </li>
          ))}
        </ul>
      )}
      <label class="field">
        <span class="label">{t('live_search')}</span>
        <input type="search" value={wanted} onInput={(event) => setWanted(event.currentTarget.value)} />
      </label>
      <ul class="hits ruled">
        {hits.slice(0, SHOWN).map((one) => (
          <li key={one.id}>
            <label class="row">
              <input
                type="checkbox"
                checked={props.chosen.includes(one.id)}
                onChange={() => toggle(one.id)}
              />
              <span class="grow">
                {said(one.title)} <span class="quiet small">{one.modules.join(', ')}</span>
              </span>
              <span class="quiet small figure">{one.id}</span>
              <span class="quiet small figure unit">{unitShown(one.unit)}</span>
            </label>
          </li>
        ))}
        {hits.length > SHOWN && <li class="quiet small">{count('live_more', hits.length - SHOWN)}</li>}
      </ul>
      {props.chosen.length > 0 && (
        <form
          class="row"
          onSubmit={async (event) => {
            event.preventDefault();
            const kept = await tried(
              send('PUT', `/watchlists/${encodeURIComponent(name)}`, props.chosen).then(() => true),
            );
            if (kept) void refreshWatchlists();
          }}
        >
          <label class="field grow">
            <span class="label">{t('watchlist_name')}</span>
            <input
              required
              pattern="[A-Za-z0-9_\-]{1,60}"
              value={name}
              onInput={(event) => setName(event.currentTarget.value)}
            />
          </label>
          <button type="submit" class="key">
            {t('watchlist_save')}
          </button>
        </form>
      )}
    </section>
  );
}
