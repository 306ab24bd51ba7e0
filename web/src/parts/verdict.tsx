/** The three verdicts, told apart by shape as well as by colour, and the scale that shows how strong the evidence is. */

import { number, t, word } from '../text';

export function Verdict({ said }: { said: string }) {
  const shape =
    said === 'faulty' ? (
      <path d="M8 .8 15.2 8 8 15.2.8 8z" fill="currentColor" />
    ) : said === 'healthy' ? (
      <path d="m2 8.500 4 4 8-9" fill="none" stroke="currentColor" stroke-width="2.500" />
    ) : (
      <g fill="none" stroke="currentColor" stroke-width="2">
        <circle cx="8" cy="8" r="6.200" />
        <path d="M8 1.800a6.200 6.200 0 0 0 0 12.400z" fill="currentColor" />
      </g>
    );
  return (
    <span class={`verdict ${said}`}>
      <svg viewBox="0 0 16 16" aria-hidden="true">
        {shape}
      </svg>
      {word('verdict', said)}
    </span>
  );
}

/** "4 000 to 1 for a fault": evidence in words that promise no more than the number does. */
export function odds(log10: number): string {
  const size = Math.abs(log10);
  const ratio = size > 4 ? t('odds_more', { n: number(10_000) }) : number(10 ** size, size < 1 ? 1 : 0);
  return t(log10 >= 0 ? 'odds_for' : 'odds_against', { ratio });
}

const [LEAST, MOST] = [-4, 6];
const x = (log10: number) => 12 + ((Math.min(Math.max(log10, LEAST), MOST) - LEAST) / (MOST - LEAST)) * 376;

/** Where the evidence stands between "no fault" and "fault"; a verdict begins at the notches. */
export function Balance({ log10 }: { log10: number }) {
  const strokes = Array.from({ length: MOST - LEAST + 1 }, (_, k) => LEAST + k);
  const at = x(log10);
  return (
    <svg class="balance" viewBox="0 0 400 44" role="img" aria-label={odds(log10)}>
      <rect x={x(LEAST)} y="20" width={x(-1) - x(LEAST)} height="5" fill="var(--sound)" />
      <rect x={x(2)} y="20" width={x(MOST) - x(2)} height="5" fill="var(--fault)" />
      <path d={`M${x(LEAST)} 22.500H${x(MOST)}`} stroke="var(--rule-strong)" />
      {strokes.map((value) => (
        <path key={value} d={`M${x(value)} 20v${value === 0 ? 12 : 8}`} stroke="var(--rule-strong)" />
      ))}
      <path d={`M${at} 20l-7-13h14z`} fill="var(--ink)" />
      <g class="narrow" fill="var(--ink-2)" font-size="12">
        <text x={x(LEAST)} y="43">
          {t('balance_healthy')}
        </text>
        <text x={x(0)} y="43" text-anchor="middle">
          1 : 1
        </text>
        <text x={x(MOST)} y="43" text-anchor="end">
          {t('balance_faulty')}
        </text>
      </g>
    </svg>
  );
}
