/** Report: the open case as it is handed over, seen before it is printed, shared or kept. */

import { useEffect, useRef, useState } from 'preact/hooks';
import { getBytes } from '../../api/http';
import { openCase } from '../../app/lists';
import { address } from '../../app/router';
import { session, tried } from '../../app/state';
import { paper, papers, unitSystem, unitSystems } from '../../app/theme';
import { type Language, language, languages, t } from '../../text';

type Form = 'html' | 'pdf';

export function Report() {
  const open = openCase.value?.case;
  if (!open) {
    return (
      <div class="place">
        <div class="rows measure">
          <h1>{t('place_report')}</h1>
          <p>
            {t('report_no_case')} <a href={address('start')}>{t('place_start')}</a>
          </p>
        </div>
      </div>
    );
  }
  // What the ledger gained belongs into the report at once.
  return <Preview key={open.uid} number={open.number} entries={openCase.value?.entries.length ?? 0} />;
}

function Preview({ number, entries }: { number: number; entries: number }) {
  const [tongue, setTongue] = useState<Language>(language.value);
  const [pictures, setPictures] = useState<readonly string[]>([]);
  const [without, setWithout] = useState<readonly number[]>([]);
  const page = useRef<HTMLIFrameElement>(null);
  const path = (format: Form, download: boolean) => {
    const wanted = new URLSearchParams({
      format,
      language: tongue,
      units: unitSystem.value,
      paper: paper.value,
      without: without.join(','),
      download: String(download),
    });
    return `/report?${wanted}`;
  };
  const shown = `/api${path('html', false)}&entries=${entries}`;
  // A frame whose address changes would add a step to the way back.
  useEffect(() => page.current?.contentWindow?.location.replace(shown), [shown]);
  const loaded = () => {
    if (without.length > 0) return;
    const captions = page.current?.contentDocument?.querySelectorAll('figcaption') ?? [];
    setPictures([...captions].map((caption) => caption.textContent ?? ''));
  };
  const toggle = (place: number) =>
    setWithout(without.includes(place) ? without.filter((one) => one !== place) : [...without, place]);
  return (
    <div class="place full report">
      <div class="bar row">
        <h1 class="grow">{t('report_of', { n: number })}</h1>
        <button type="button" class="key main" onClick={() => page.current?.contentWindow?.print()}>
          {t('report_print')}
        </button>
        <Share path={path} name={`report-${number}`} />
      </div>
      <details class="bar">
        <summary>{t('report_form')}</summary>
        <div class="row">
          <Pick
            label={t('settings_language')}
            values={Object.keys(languages) as Language[]}
            now={tongue}
            name={(one) => languages[one]}
            choose={setTongue}
          />
          <Pick
            label={t('settings_units')}
            values={unitSystems}
            now={unitSystem.value}
            name={(one) => t(`units_${one}`)}
            choose={(one) => {
              unitSystem.value = one;
            }}
          />
          <Pick
            label={t('settings_paper')}
            values={papers}
            now={paper.value}
            name={(one) => t(`paper_${one}`)}
            choose={(one) => {
              paper.value = one;
            }}
          />
        </div>
        {pictures.length > 0 && (
          <fieldset class="options">
            <legend class="label">{t('report_pictures')}</legend>
            <ul class="hits">
              {pictures.map((caption, place) => (
                <li key={`${place}${caption}`}>
                  <label class="row check">
                    <input
                      type="checkbox"
                      checked={!without.includes(place)}
                      onChange={() => toggle(place)}
                    />
                    <span class="grow small">{caption}</span>
                  </label>
                </li>
              ))}
            </ul>
          </fieldset>
        )}
      </details>
      <iframe
        ref={page}
        class="preview"
        title={t('report_preview')}
        sandbox="allow-same-origin allow-modals"
        onLoad={loaded}
      />
    </div>
  );
}

/** As a file: handed to the device's own way of sharing where it has one for files, otherwise kept. */
function Share({ path, name }: { path: (format: Form, download: boolean) => string; name: string }) {
  const forms: Form[] = session.value?.has_pdf ? ['html', 'pdf'] : ['html'];
  const share = async (form: Form) => {
    const type = form === 'pdf' ? 'application/pdf' : 'text/html';
    const file = new File([await getBytes(path(form, true))], `${name}.${form}`, { type });
    await navigator.share({ files: [file], title: name }).catch((error: DOMException) => {
      // Whoever changes their mind is no failure; a browser that waited too long for the file is one.
      if (error.name !== 'AbortError') throw error;
    });
  };
  const probe = new File([''], 'report.html', { type: 'text/html' });
  const canShare = 'canShare' in navigator && navigator.canShare({ files: [probe] });
  return (
    <>
      {forms.map((form) => (
        <a key={form} class="key" href={`/api${path(form, true)}`} download={`${name}.${form}`}>
          {t('report_keep', { form: form.toUpperCase() })}
        </a>
      ))}
      {canShare && (
        <button type="button" class="key" onClick={() => void tried(share(forms.at(-1)!))}>
          {t('report_share')}
        </button>
      )}
    </>
  );
}

function Pick<T extends string>(props: {
  label: string;
  values: readonly T[];
  now: T;
  name: (value: T) => string;
  choose: (value: T) => void;
}) {
  return (
    <label class="field grow">
      <span class="label">{props.label}</span>
      <select value={props.now} onChange={(event) => props.choose(event.currentTarget.value as T)}>
        {props.values.map((value) => (
          <option key={value} value={value}>
            {props.name(value)}
          </option>
        ))}
      </select>
    </label>
  );
}
