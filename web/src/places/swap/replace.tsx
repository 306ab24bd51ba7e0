/** A part from outside comes in: the repair, as the ledger keeps it. */

import { useState } from 'preact/hooks';
import { enter } from '../../app/lists';
import { t, word } from '../../text';
import { parts } from './placement';

export function Replace({ cylinders }: { cylinders: readonly number[] }) {
  const [part, setPart] = useState<string>(parts[0]!);
  const [at, setAt] = useState('');
  const [text, setText] = useState('');
  const submit = async (event: Event) => {
    event.preventDefault();
    if (await enter({ kind: 'replaced', part, at: at === '' ? null : Number(at), text })) {
      setAt('');
      setText('');
    }
  };
  return (
    <section class="rows tight measure" aria-labelledby="replace">
      <h2 id="replace">{t('replace_title')}</h2>
      <form class="row level" onSubmit={(event) => void submit(event)}>
        <label class="field">
          <span class="label">{t('replace_part')}</span>
          <select value={part} onChange={(event) => setPart(event.currentTarget.value)}>
            {parts.map((one) => (
              <option key={one} value={one}>
                {word('part', one)}
              </option>
            ))}
          </select>
        </label>
        <label class="field">
          <span class="label">{t('swap_cylinder')}</span>
          <select required value={at} onChange={(event) => setAt(event.currentTarget.value)}>
            <option value="">–</option>
            {cylinders.map((one) => (
              <option key={one} value={one}>
                {one}
              </option>
            ))}
          </select>
        </label>
        <label class="field grow">
          <span class="label">{t('replace_text')}</span>
          <input value={text} onInput={(event) => setText(event.currentTarget.value)} />
        </label>
        <button type="submit" class="key">
          {t('replace_do')}
        </button>
      </form>
    </section>
  );
}
