/** Steps that several tests take. */

import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import type { Page } from 'playwright-core';

export const goTo = (page: Page, path: string) =>
  page.evaluate((to) => {
    history.pushState(null, '', to);
    dispatchEvent(new PopStateEvent('popstate'));
  }, path);

/** An output in the list of them; the ledger beside it has links to the marks that were set while it was driven. */
export const outputIn = (page: Page, title: RegExp) =>
  page.getByRole('main').getByRole('link', { name: title });

export async function connect(page: Page): Promise<void> {
  await goTo(page, '/');
  await page.getByRole('button', { name: 'Connect', exact: true }).first().click();
  await page.getByRole('region', { name: 'The connected car' }).waitFor({ timeout: 30_000 });
}

/** A page that is closed would keep the car for a while, in case it comes back. */
export const giveUpCar = (page: Page) =>
  page.evaluate(() =>
    fetch('/api/car/hand-over', {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: '{"to":null}',
    }),
  );

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

/** What an automated checker finds against WCAG 2.2 A and AA. */
export async function complaintsOfAxe(page: Page): Promise<string[]> {
  // Evaluated from outside the page, so that its own policy against foreign scripts stays in force.
  await page.evaluate(axe);
  return page.evaluate(async () => {
    const checker = (
      globalThis as unknown as {
        axe: {
          run(
            options: object,
          ): Promise<{ violations: { id: string; nodes: { html: string; failureSummary: string }[] }[] }>;
        };
      }
    ).axe;
    const { violations } = await checker.run({
      runOnly: { type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa'] },
    });
    return violations.flatMap((one) =>
      one.nodes.map((node) => `${one.id}: ${node.html.slice(0, 120)} ${node.failureSummary}`),
    );
  });
}
