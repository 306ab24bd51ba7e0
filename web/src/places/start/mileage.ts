/**
 * What an odometer shows, km, from how somebody wrote it: thousands may be set apart by a point, a comma, a space or an
 * apostrophe, whatever the language. Null where it is none.
 */
export function mileageOf(written: string): number | null {
  const text = written.trim();
  const isApart = /^\d{1,3}(?:[.,\s'’]\d{3})+(?!\d)/.exec(text);
  const digits = isApart ? isApart[0].replace(/\D/g, '') : text;
  return Number.parseInt(digits, 10) || null;
}
