/** Where a phone or tablet says the pairing code. */

import { useEffect, useState } from 'preact/hooks';
import { Failed } from '../../api/http';
import { codeOf } from '../../app/router';
import { join } from '../../app/state';
import { WhatFailed } from '../../parts/notices';
import { t } from '../../text';

export function Join() {
  const [code, setCode] = useState(() => codeOf(location) ?? '');
  const [name, setName] = useState(() => localStorage.getItem('name') ?? '');
  const [why, setWhy] = useState<Failed | null>(null);
  useEffect(() => {
    // A code that was seen in the address is not left there.
    if (codeOf(location) !== null) history.replaceState(null, '', '/');
  }, []);
  const submit = (event: Event) => {
    event.preventDefault();
    localStorage.setItem('name', name);
    join(code, name).catch((error: unknown) =>
      setWhy(error instanceof Failed ? error : new Failed(0, String(error), [])),
    );
  };
  return (
    <main class="join">
      <form class="rows" onSubmit={submit}>
        <img src="/mark.svg" alt="" width="72" height="72" />
        <h1>{t('join_title')}</h1>
        <p>{t('join_how')}</p>
        <label class="field">
          <span class="label">{t('join_code')}</span>
          <input
            class="code"
            autocomplete="one-time-code"
            autocapitalize="characters"
            spellcheck={false}
            required
            value={code}
            onInput={(event) => setCode(event.currentTarget.value)}
          />
        </label>
        <label class="field">
          <span class="label">{t('join_name')}</span>
          <input
            maxLength={40}
            required
            value={name}
            onInput={(event) => setName(event.currentTarget.value)}
          />
        </label>
        {why && (
          <div class="trouble" role="alert">
            <WhatFailed failure={why} />
          </div>
        )}
        <button type="submit" class="key main">
          {t('join_do')}
        </button>
      </form>
    </main>
  );
}
