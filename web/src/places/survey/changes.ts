import type { Survey } from '../../api/types';

/** What two surveys of a car tell apart: codes by module that came and went. */
export function changes(before: Survey, now: Survey): { came: string[]; went: string[] } {
  const codes = (survey: Survey) =>
    new Set(
      survey.modules.flatMap((module) => module.codes.map((code) => `${code.code} (${module.address})`)),
    );
  const [old, fresh] = [codes(before), codes(now)];
  return {
    came: [...fresh].filter((code) => !old.has(code)),
    went: [...old].filter((code) => !fresh.has(code)),
  };
}
