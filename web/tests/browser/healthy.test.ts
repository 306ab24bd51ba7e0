/** A drive beside those of healthy cars of its model: one is kept, and the next car is held against it. */

import type { Browser } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, recordDrive, startWorkbench, type Workbench } from './harness.ts';
import { complaintsOfAxe, goTo } from './steps.ts';

const HEALTHY = 'standin:fell?script=idle&warm=1&seed=4';
const LEAKING = 'standin:fell?script=idle&warm=1&fault=air-leak:1';
const signals = ['engine.speed', 'engine.load', 'vehicle.speed', 'intake.air_flow', 'fuel.trim.long.bank_1'];
const MODEL = 'Tarnwick Fell 1.6';

let workbench: Workbench;
let browser: Browser;

beforeAll(async () => {
  workbench = await startWorkbench(HEALTHY);
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await workbench?.end();
});

test('a healthy drive is kept, and a leaking engine lies outside it', async () => {
  workbench.run('case', 'new', '--complaint', 'none', '--model', MODEL, '--json');
  recordDrive(workbench, 400, HEALTHY, signals);
  const { page, context, complaints } = await openPage(browser, workbench, 'tablet');
  const show = async () => {
    await goTo(page, '/review');
    await page.locator('.place a.line').first().click();
    await page.getByRole('button', { name: 'Healthy cars' }).click();
  };
  await show();
  // The drive itself is none that it could be held against.
  await page.getByText(`No other drive of a healthy ${MODEL} is kept yet`).waitFor();
  await page.getByRole('button', { name: 'Keep as healthy' }).click();
  const dialog = page.getByRole('dialog');
  expect(await dialog.getByLabel('Model of the car').inputValue()).toBe(MODEL);
  await dialog.getByLabel('How the car was checked').fill('no complaint, <b>no</b> code');
  await dialog.getByRole('button', { name: 'Keep as healthy' }).click();
  const ledger = page.getByRole('complementary', { name: 'Ledger' });
  await ledger.getByRole('link', { name: /^Healthy car/ }).waitFor();
  await page.getByText(`No other drive of a healthy ${MODEL} is kept yet`).waitFor();

  workbench.run('case', 'new', '--complaint', 'lean', '--model', MODEL.toLowerCase(), '--json');
  recordDrive(workbench, 150, LEAKING, signals);
  await page.reload();
  await show();
  const standing = page.getByRole('region', { name: 'Healthy cars' });
  await standing.getByText('1 drive of a healthy car').waitFor();
  const flow = standing.getByRole('article').filter({ hasText: 'intake.air_flow lies outside' });
  expect(await flow.locator('.spread-row[data-verdict=outside]').count()).toBeGreaterThan(0);
  // Every median that is called outside is beyond what nine in ten healthy stretches have.
  for (const row of await flow.locator('.spread-row[data-verdict=outside]').all()) {
    const [own, low, high] = numbers(await row.innerText());
    expect(own! < low! || own! > high!, await row.innerText()).toBe(true);
  }
  expect(await complaintsOfAxe(page)).toEqual([]);
  await context.close();
  expect(complaints).toEqual([]);
});

/** The median and the ends of the healthy range, from what a row says last. */
function numbers(row: string): number[] {
  const said = row.slice(row.indexOf('outside:'));
  return [...said.matchAll(/[−-]?\d+(?:\.\d+)?/g)].map(([digits]) => Number(digits.replace('−', '-')));
}
