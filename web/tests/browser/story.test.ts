/**
 * The whole of a case by clicks alone, from the complaint to the report, on an invented car that lives quickly: on a
 * phone, a tablet and a laptop at the same time, each with a workbench of its own.
 */

import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, type Screen, screens, startWorkbench } from './harness.ts';

/** How much faster than a real car it lives: ten minutes on the road take as many seconds. */
const PACE = 60;
const SHAKY = 'standin:fell?script=mixed&warm=1';
const BAD_COIL = '&fault=misfire-coil:1:0.8';
/** After coil 1 and 4, and plug 1 and 3, have changed places. */
const SWAPPED = '&coils=4,2,3,1&plugs=3,2,1,4';
const watched = ['engine.speed', 'engine.load', ...[1, 2, 3, 4].map((k) => `misfire.cylinder_${k}`)];

let browser: Browser;

beforeAll(async () => {
  browser = await launch();
});

afterAll(() => browser?.close());

const place = (page: Page, name: string) =>
  page.getByRole('navigation', { name: 'Work' }).getByRole('link', { name, exact: true }).click();

/** One of the three parts; on a phone it is a tap away, and on a tablet the ledger is folded. */
async function part(page: Page, name: 'Ledger' | 'Suspects' | 'Bench'): Promise<Locator> {
  const tap = page
    .getByRole('navigation', { name: 'Ledger, bench, suspects' })
    .getByRole('button', { name, exact: true });
  if (await tap.isVisible()) await tap.click();
  const fold = page.locator('.unfold');
  const isOpen = String(name === 'Ledger');
  if ((await fold.isVisible()) && (await fold.getAttribute('aria-expanded')) !== isOpen) await fold.click();
  return page.locator(`[data-part=${name.toLowerCase()}]`);
}

async function drive(page: Page, adapter: string, isFirst: boolean): Promise<void> {
  await page.getByRole('link', { name: 'Start', exact: true }).first().click();
  await page.getByLabel('Address of another adapter').fill(adapter);
  await page.getByRole('button', { name: 'Connect', exact: true }).last().click();
  await page.locator('.steps .done', { hasText: /^modules:/ }).waitFor();
  await page.getByRole('region', { name: 'The connected car' }).waitFor();
  await place(page, 'Live');
  if (isFirst) {
    for (const id of watched) {
      await page.getByLabel('Search by name, module or unit').fill(id);
      await page.locator('.hits label').first().click();
    }
  }
  await page.getByRole('button', { name: /^Record/ }).click();
  await page.locator('.readings').waitFor({ timeout: 20_000 });
  await expect
    .poll(() => page.locator('.strip [role=status]').innerText(), { timeout: 60_000, interval: 250 })
    .toMatch(/1\d:\d\d$/);
  await page.getByRole('button', { name: 'Stop' }).click();
  await page.locator('.readings').waitFor({ state: 'detached' });
  const ledger = await part(page, 'Ledger');
  await ledger.getByRole('button', { name: 'Examine' }).click();
  await ledger.getByRole('button', { name: 'Examine' }).waitFor({ state: 'detached', timeout: 60_000 });
  await part(page, 'Bench');
}

test.concurrent.each(Object.keys(screens) as Screen[])(
  'complaint, drive, survey, suspects, swap, verdict, repair, proof, report on a %s',
  {
    timeout: 240_000,
  },
  async (screen) => {
    const workbench = await startWorkbench(SHAKY, ['--pace', String(PACE)]);
    const { page, context, complaints } = await openPage(browser, workbench, screen);
    // Three cars live quickly on one machine.
    page.setDefaultTimeout(30_000);
    const says = async (name: 'Ledger' | 'Suspects', text: string | RegExp) => {
      await (await part(page, name)).getByText(text).first().waitFor();
      await part(page, 'Bench');
    };
    await page.getByRole('button', { name: 'New case' }).click();
    await page.getByLabel(/^The complaint/).fill('It shakes and lacks power uphill');
    await page.getByRole('button', { name: 'Open the case' }).click();
    await says('Ledger', 'It shakes and lacks power uphill');

    await drive(page, `${SHAKY}${BAD_COIL}`, true);
    await place(page, 'Survey');
    await page.getByRole('button', { name: /^Survey/ }).click();
    await says('Ledger', /^Survey$/);
    await says('Suspects', /coil/i);

    await place(page, 'Swap');
    for (const [kind, from, to] of [
      ['Coil', 1, 4],
      ['Plug', 1, 3],
    ]) {
      await page.getByRole('button', { name: `${kind} ${from} on cylinder ${from}` }).click();
      await page.getByRole('button', { name: `${kind} ${to} on cylinder ${to}` }).click();
      await page.getByRole('button', { name: `${kind} ${to} on cylinder ${from}` }).waitFor();
    }
    await drive(page, `${SHAKY}${BAD_COIL}${SWAPPED}&seed=2`, false);
    await place(page, 'Swap');
    await page.getByRole('button', { name: 'Judge the drives' }).click();
    await page.getByRole('region', { name: 'Verdict' }).locator('.faulty').waitFor({ timeout: 30_000 });
    expect(await page.getByRole('region', { name: 'Verdict' }).locator('li').first().innerText()).toMatch(
      /coil 1/,
    );

    await page.getByRole('combobox', { name: 'Part' }).selectOption('coil');
    await page.getByRole('combobox', { name: 'Cylinder' }).selectOption('4');
    await page.getByRole('button', { name: 'Put in' }).click();
    await says('Ledger', 'Replaced');
    await drive(page, `${SHAKY}${SWAPPED}&seed=3`, false);
    const suspects = await part(page, 'Suspects');
    await suspects.getByRole('button', { name: 'Prove the repair' }).click();
    await suspects
      .getByRole('region', { name: 'Proof' })
      .getByRole('status')
      .getByText(/\d/)
      .first()
      .waitFor({ timeout: 30_000 });
    await says('Ledger', /^Proof$/);

    await place(page, 'Report');
    const paper = page.frameLocator('.preview');
    await paper.getByText('It shakes and lacks power uphill').first().waitFor();
    await paper.getByText(/coil/i).first().waitFor();
    await context.close();
    await workbench.end();
    expect(complaints).toEqual([]);
  },
);
