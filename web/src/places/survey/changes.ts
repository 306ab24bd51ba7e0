import type { Survey } from '../../api/types';

export interface Changes {
  came: string[];
  went: string[];
  /** Addresses of modules that answered in one of the two only: they have neither lost codes nor got new ones. */
  once: string[];
}

/** What two surveys of a car tell apart: codes that came and went, by module. */
export function changes(before: Survey, now: Survey): Changes {
  const modules = (survey: Survey) => new Set(survey.modules.map((module) => module.address));
  const [first, second] = [modules(before), modules(now)];
  const codes = (survey: Survey) =>
    new Set(
      survey.modules
        .filter(({ address }) => first.has(address) && second.has(address))
        .flatMap((module) => module.codes.map((code) => `${code.code} (${module.address})`)),
    );
  const [old, fresh] = [codes(before), codes(now)];
  return {
    came: [...fresh].filter((code) => !old.has(code)),
    went: [...old].filter((code) => !fresh.has(code)),
    once: [...first, ...second].filter((address) => !(first.has(address) && second.has(address))),
  };
}
