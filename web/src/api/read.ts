/** What comes from the workbench as JSON, fit to be shown. */

/**
 * Characters that turn the order of what stands behind them (Unicode Standard Annex 9, 2: explicit directional
 * formatting): a text from a car or a file must not make a sentence of the page say something else.
 */
const turning = /[\u202A-\u202E\u2066-\u2069]/g;

/** The value of a text in JSON, those characters replaced as in a report. Throws where it is no JSON. */
export function read<T>(json: string): T {
  return JSON.parse(json.replace(turning, '\uFFFD'));
}
