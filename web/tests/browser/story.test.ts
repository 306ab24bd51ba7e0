/** The whole of a case by clicks alone, from the complaint to the report, on an invented car that lives quickly. */

import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, startWorkbench, type Workbench } from './harness.ts';

/** How much faster than a real car it lives: ten minutes on the road take as many seconds. */
const PACE = 60;
const SHAKY = 'standin:fell?script=mixed&warm=1';
const BAD_COIL = '&fault=misfire-coil:1:0.8';
/** After coil 1 and 4, and plug 1 and 3, have changed places. */
const SWAPPED = '&coils=4,2,3,1&plugs=3,2,1,4';
const watched = ['engine.speed', 'engine.load', ...[1, 2, 3, 4].map((k) => `misfire.cylinder_${k}`)];

let workbench: Workbench;
let browser: Browser;

beforeAll(async () => {
  workbench = await startWorkbench(SHAKY, ['--pace', String(PACE)]);
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await workbench?.end();
});

const place = (page: Page, name: string) =>
  page.getByRole('navigation', { name: 'Work' }).getByRole('link', { name, exact: true }).click();

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
  await page.getByRole('button', { name: 'Examine' }).click();
  await page.getByRole('button', { name: 'Examine' }).waitFor({ state: 'detached', timeout: 30_000 });
}

test('complaint, drive, survey, suspects, swap, verdict, repair, proof, report', {
  timeout: 180_000,
}, async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  const ledger = page.getByRole('complementary', { name: 'Ledger' });
  const suspects = page.getByRole('complementary', { name: 'Suspects' });
  await page.getByRole('button', { name: 'New case' }).click();
  await page.getByLabel(/^The complaint/).fill('It shakes and lacks power uphill');
  await page.getByRole('button', { name: 'Open the case' }).click();
  await ledger.getByText('It shakes and lacks power uphill').waitFor();

  await drive(page, `${SHAKY}${BAD_COIL}`, true);
  await place(page, 'Survey');
  await page.getByRole('button', { name: /^Survey/ }).click();
  await ledger.locator('strong', { hasText: 'Survey' }).first().waitFor({ timeout: 30_000 });
  await suspects.getByText(/coil/i).first().waitFor();

  await place(page, 'Swap');
  for (const [part, from, to] of [
    ['Coil', 1, 4],
    ['Plug', 1, 3],
  ]) {
    await page.getByRole('button', { name: `${part} ${from} on cylinder ${from}` }).click();
    await page.getByRole('button', { name: `${part} ${to} on cylinder ${to}` }).click();
    await page.getByRole('button', { name: `${part} ${to} on cylinder ${from}` }).waitFor();
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
  await ledger.getByText('Replaced').waitFor();
  await drive(page, `${SHAKY}${SWAPPED}&seed=3`, false);
  await suspects.getByRole('button', { name: 'Prove the repair' }).click();
  await suspects
    .getByRole('region', { name: 'Proof' })
    .getByRole('status')
    .getByText(/\d/)
    .first()
    .waitFor({ timeout: 30_000 });
  await ledger.locator('strong', { hasText: 'Proof' }).waitFor();

  await place(page, 'Report');
  const paper = page.frameLocator('.preview');
  await paper.getByText('It shakes and lacks power uphill').first().waitFor();
  await paper.getByText(/coil/i).first().waitFor();
  await context.close();
  expect(complaints).toEqual([]);
});
