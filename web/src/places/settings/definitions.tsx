/** Files that say what a maker's modules tell and do: what each offers, adding one, leaving one out. */

import { useEffect, useState } from 'preact/hooks';
import { get, send, sendFile } from '../../api/http';
import type { DefinitionJson, DefinitionsChecked } from '../../api/types';
import { refreshSignals } from '../../app/lists';
import { session, tried } from '../../app/state';
import { count, t } from '../../text';

export function Definitions() {
  const [files, setFiles] = useState<DefinitionJson[]>([]);
  const isBench = session.value?.is_bench;
  const load = async () => {
    setFiles((await tried(get<DefinitionJson[]>('/settings/definitions'))) ?? []);
    void refreshSignals();
  };
  useEffect(() => void load(), []);
  const path = (name: string) => `/settings/definitions/${encodeURIComponent(name)}`;
  const add = async (chosen: FileList | null) => {
    for (const file of chosen ?? []) {
      // What went wrong stays in sight: nothing is asked for after it.
      if (!(await tried(sendFile<DefinitionsChecked>('PUT', path(file.name), file)))) return;
      await load();
    }
  };
  return (
    <section class="rows" aria-labelledby="definitions">
      <h2 id="definitions">{t('settings_definitions')}</h2>
      <p class="quiet">{t('definitions_what')}</p>
      <ul class="sheet ruled" hidden={files.length === 0}>
        {files.map((file) => (
          <li key={file.name} class="line row apart">
            <span class="grow">
              <strong>{file.offers?.title || file.name}</strong>
              <br />
              <span class="quiet small figure">{file.offers ? offers(file.offers) : file.problem}</span>
            </span>
            {isBench && (
              <button
                type="button"
                class="key slim"
                onClick={async () => {
                  await tried(send('DELETE', path(file.name)));
                  await load();
                }}
              >
                {t('leave_out')} <span class="unseen">{file.name}</span>
              </button>
            )}
          </li>
        ))}
      </ul>
      {isBench && (
        <div class="row">
          <label class="key file">
            {t('definitions_add')}
            <input
              type="file"
              multiple
              accept=".toml,.dbc,.odx,.odx-d,.pdx"
              onChange={(event) => {
                const input = event.currentTarget;
                void add(input.files).then(() => {
                  input.value = '';
                });
              }}
            />
          </label>
          <span class="quiet small">{t('definitions_when')}</span>
        </div>
      )}
    </section>
  );
}

/** "3 modules, 40 signals, 2 outputs": what is not there is not said. */
function offers(file: DefinitionsChecked): string {
  const sum = (of: (module: DefinitionsChecked['modules'][number]) => number) =>
    file.modules.reduce((n, module) => n + of(module), 0);
  const inMessages = file.messages.reduce((n, message) => n + message.signals.length, 0);
  const parts = [
    ['offers_modules', file.modules.length],
    ['offers_signals', sum((module) => module.signals.length) + inMessages],
    ['offers_outputs', sum((module) => module.outputs.length)],
    ['offers_routines', sum((module) => module.routines.length)],
    ['offers_codes', sum((module) => module.codes.length)],
    ['offers_problems', file.problems.length],
  ] as const;
  return parts
    .filter(([, n]) => n > 0)
    .map(([key, n]) => count(key, n))
    .join('  ·  ');
}
