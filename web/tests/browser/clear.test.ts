/** Codes are cleared under the eyes of whoever holds the car: evidence first, and read again afterwards. */

import { type ChildProcess, spawn } from 'node:child_process';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, program, startWorkbench, type Workbench } from './harness.ts';
import { complaintsOfAxe, connect, giveUpCar, goTo } from './steps.ts';

/** A car with a worn pedal track that stands with its engine off; its code is stored at once and permanent. */
const CODED = 'fell?fault=pedal-wear:1:1:40:20&script=pedal&start=60';

let workbench: Workbench;
let browser: Browser;
/** Cars in processes of their own: none outlives these tests. */
const cars: ChildProcess[] = [];

beforeAll(async () => {
  workbench = await startWorkbench(`standin:${CODED}`);
  browser = await launch();
});

afterAll(async () => {
  for (const car of cars) car.kill();
  await browser?.close();
  await workbench?.end();
});

const clearNow = (page: Page) => page.getByRole('button', { name: 'Clear codes now' });
const ledger = (page: Page) => page.getByRole('complementary', { name: 'Ledger' });

/** From the survey to the button, with everything read; the button is dead until then. */
async function read(page: Page): Promise<void> {
  await goTo(page, '/survey');
  await page.getByRole('link', { name: 'Clear codes' }).click();
  await page.getByRole('button', { name: 'Read and save everything first' }).click();
  await page.getByText('P2138 with their status').waitFor({ timeout: 30_000 });
  expect(await clearNow(page).isDisabled(), 'nobody has read what will be lost').toBe(true);
  await page.getByRole('checkbox', { name: 'I have read what will be lost' }).check();
  expect(await clearNow(page).isDisabled(), 'nobody has looked at the car').toBe(true);
  await page.getByRole('checkbox', { name: /^Ignition on, engine off/ }).check();
}

async function connectTo(page: Page, adapter: string): Promise<void> {
  await goTo(page, '/');
  await page.getByLabel('Address of another adapter').fill(adapter);
  await page.getByRole('button', { name: 'Connect', exact: true }).last().click();
  await page.locator('.steps .done', { hasText: /^modules:/ }).waitFor({ timeout: 30_000 });
  await page.getByRole('region', { name: 'The connected car' }).waitFor();
}

test('codes go, the permanent one stays, and the ledger holds both surveys', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'phone');
  await connect(page);
  await read(page);
  expect(await complaintsOfAxe(page)).toEqual([]);
  await clearNow(page).click();
  const done = page.getByRole('region', { name: 'Cleared, and read again' });
  await done.waitFor({ timeout: 30_000 });
  expect(await done.locator('li').first().innerText()).toMatch(/7E8 confirmed\s+Codes before: P2138/);
  expect(await complaintsOfAxe(page)).toEqual([]);
  await page.getByRole('button', { name: 'Ledger' }).click();
  await ledger(page).getByText('Codes cleared', { exact: true }).waitFor();
  expect(await ledger(page).locator('strong', { hasText: 'Survey' }).count()).toBe(2);
  await page.getByRole('button', { name: 'Bench' }).click();
  await goTo(page, '/survey');
  await page.getByRole('button', { name: 'Compare the first with the last' }).click();
  const compared = page.getByRole('region', { name: 'Before and after' });
  await compared.getByText('P2138 (7E8)').waitFor();
  expect(await compared.locator('dt', { hasText: 'still there' }).count()).toBe(1);
  // What was read is used up: the next time everything is read anew.
  const again = await page.evaluate(async () => {
    const answer = await fetch('/api/car/clear', {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: JSON.stringify({ modules: ['7E8'], costs_read: true, stands: true }),
    });
    return answer.status;
  });
  expect(again).toBe(200);
  await goTo(page, '/survey/clear');
  await page.getByRole('alert').getByText('read the car again').waitFor();
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

test('with the engine running nothing is cleared', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  await connectTo(page, 'standin:fell?script=idle');
  await goTo(page, '/survey/clear');
  await page.getByRole('button', { name: 'Read and save everything first' }).click();
  await page.getByRole('checkbox', { name: 'I have read what will be lost' }).check({ timeout: 30_000 });
  await page.getByRole('checkbox', { name: /^Ignition on, engine off/ }).check();
  const n = await ledger(page).getByText('Codes cleared', { exact: true }).count();
  await clearNow(page).click();
  await page.getByRole('alert').getByText('the engine is running').waitFor();
  expect(await ledger(page).getByText('Codes cleared', { exact: true }).count()).toBe(n);
  await giveUpCar(page);
  await context.close();
});

test('whoever does not hold the car clears nothing', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  const status = await page.evaluate(() =>
    Promise.all(
      ['/api/car/clear/prepare', '/api/car/clear'].map(async (path) => {
        const body = JSON.stringify({ modules: ['7E8'], costs_read: true, stands: true });
        const answer = await fetch(path, {
          method: 'POST',
          headers: { 'content-type': 'application/json' },
          body,
        });
        return answer.status;
      }),
    ),
  );
  expect(status).toEqual([403, 403]);
  await context.close();
});

test('an adapter that dies before the clearing leaves the survey, and says so', async () => {
  const served = await serve(CODED);
  const { page, context } = await openPage(browser, workbench, 'laptop');
  await connectTo(page, served.adapter);
  await read(page);
  served.process.kill();
  await clearNow(page).click();
  await page.getByRole('alert').waitFor({ timeout: 30_000 });
  expect(await ledger(page).locator('strong', { hasText: 'Survey' }).count()).toBeGreaterThan(0);
  await page.getByRole('button', { name: 'Read and save everything first' }).waitFor();
  await giveUpCar(page);
  await context.close();
});

/** The invented car behind an adapter on the network, in a process of its own. */
async function serve(car: string): Promise<{ adapter: string; process: ChildProcess }> {
  const child = spawn(program, ['standin', car, '--tcp', '127.0.0.1:0', '--speed', '20', '--json'], {
    stdio: ['ignore', 'pipe', 'inherit'],
  });
  cars.push(child);
  const adapter = await new Promise<string>((done, failed) => {
    let said = '';
    child.stdout!.on('data', (bytes: Buffer) => {
      said += bytes.toString();
      const found = /at\+tcp:\/\/[\d.:]+/.exec(said);
      if (found) done(found[0]);
    });
    child.on('exit', (code) => failed(new Error(`the car ended with ${code}`)));
  });
  return { adapter, process: child };
}
