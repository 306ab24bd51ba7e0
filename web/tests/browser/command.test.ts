/** Something in the car moves for as long as somebody holds the button, and not a moment longer. */

import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, startWorkbench, type Workbench } from './harness.ts';
import { complaintsOfAxe, connect, giveUpCar, goTo } from './steps.ts';

let workbench: Workbench;
let browser: Browser;

beforeAll(async () => {
  workbench = await startWorkbench('standin:fell?script=idle');
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await workbench?.end();
});

/** From the list of outputs to the button, which waits for its conditions. */
async function prepare(page: Page, title: RegExp): Promise<void> {
  await goTo(page, '/command');
  await page.getByRole('link', { name: title }).click();
  const begin = page.getByRole('button', { name: 'Prepare' });
  expect(await begin.isDisabled(), 'nobody has read the cautions').toBe(true);
  await page.getByRole('checkbox', { name: /^I have read this/ }).check();
  await begin.click();
  await expect
    .poll(() => page.locator('.hold').innerText(), { timeout: 20_000 })
    .toMatch(/Hold to drive|Start/);
}

const isDriven = (page: Page) => page.locator('.hold').getAttribute('aria-pressed');

test('the fan runs while the button is held, by finger and by key', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'phone');
  await connect(page);
  await prepare(page, /^radiator fan/);
  expect(await complaintsOfAxe(page)).toEqual([]);
  await page.locator('.hold').hover();
  await page.mouse.down();
  await expect.poll(() => isDriven(page)).toBe('true');
  const fan = page.locator('.readings .reading', { hasText: 'fan' }).locator('.value');
  await expect.poll(() => fan.innerText()).toMatch(/^100/);
  await page.mouse.up();
  await expect.poll(() => isDriven(page)).toBe('false');
  await page.locator('.hold').focus();
  await page.keyboard.down(' ');
  await expect.poll(() => isDriven(page)).toBe('true');
  await page.keyboard.up(' ');
  await expect.poll(() => isDriven(page)).toBe('false');
  await page.getByRole('button', { name: 'Done' }).click();
  const outcome = page.getByRole('region', { name: 'How it went' });
  await outcome.getByText('the module confirmed that it has control back').waitFor();
  await outcome.getByText('Measured response').waitFor();
  expect(await complaintsOfAxe(page)).toEqual([]);
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

test('a page that is reloaded in mid-hold has let go', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  await connect(page);
  await prepare(page, /compressor clutch/);
  await page.locator('.hold').hover();
  await page.mouse.down();
  await expect.poll(() => isDriven(page)).toBe('true');
  await page.reload();
  await page.getByText('the module confirmed that it has control back').waitFor();
  await page.mouse.up();
  await giveUpCar(page);
  await context.close();
});

test('a page that is left in the middle of a train lets go', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  await connect(page);
  await prepare(page, /compressor clutch/);
  await page.getByRole('checkbox', { name: /^Runs until stopped/ }).check();
  await page.locator('.hold').click();
  await expect.poll(() => isDriven(page)).toBe('true');
  await goTo(page, '/settings');
  await goTo(page, '/command');
  await expect.poll(() => isDriven(page)).toBe('false');
  await page.getByRole('button', { name: 'Done' }).click();
  await page.getByText('the module confirmed that it has control back').waitFor();
  await giveUpCar(page);
  await context.close();
});
