/** Something in the car moves for as long as somebody holds the button, and not a moment longer. */

import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, startWorkbench, type Workbench } from './harness.ts';
import { complaintsOfAxe, connect, giveUpCar, goTo, outputIn } from './steps.ts';

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
  await outputIn(page, title).click();
  const begin = page.getByRole('button', { name: 'Prepare' });
  expect(await begin.isDisabled(), 'nobody has read the cautions').toBe(true);
  await page.getByRole('checkbox', { name: /^I have read this/ }).check();
  await begin.click();
  await expect
    .poll(() => page.locator('.hold').innerText(), { timeout: 20_000 })
    .toMatch(/Hold to drive|Start/);
}

/** What is said of a command that is over: that its module has control back. */
const isBack = (page: Page) =>
  page
    .getByRole('region', { name: /How it went|Cómo fue/ })
    .getByText(
      /the module confirmed that it has control back|el módulo confirmó que tiene de nuevo el control/,
    );

/** The module itself tells whether it drives the relay. */
const clutchIs = (page: Page, state: 'on' | 'off') =>
  expect
    .poll(() =>
      page
        .locator('.reading', { hasText: /A\/C compressor clutch|embrague del compresor/ })
        .locator('.value')
        .innerText(),
    )
    .toMatch(state === 'on' ? /^1/ : /^0/);

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

test('a routine runs with a parameter given by hand, tells its results, and stops when it is let go', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'tablet');
  await connect(page);
  await goTo(page, '/command');
  await page.getByRole('link', { name: /^runs the radiator fan through its speeds/ }).click();
  await page.getByLabel(/^time of each step/).fill('1');
  await page.getByRole('checkbox', { name: /^I have read this/ }).check();
  await page.getByRole('button', { name: 'Prepare' }).click();
  const button = page.locator('.hold[aria-disabled="false"]');
  await button.waitFor({ timeout: 20_000 });
  await button.hover();
  await page.mouse.down();
  await expect.poll(() => isDriven(page)).toBe('true');
  await page.waitForTimeout(1500);
  await page.mouse.up();
  await expect.poll(() => isDriven(page)).toBe('false');
  await page.getByRole('button', { name: 'Done' }).click();
  await isBack(page).waitFor();
  const outcome = page.getByRole('region', { name: 'How it went' });
  expect(await outcome.locator('dl').innerText()).toMatch(/outcome\s+stopped/);
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
  await clutchIs(page, 'on');
  await page.reload();
  // Back in time, the page finds the command prepared still, and let go; otherwise it is over.
  const outcome = isBack(page);
  await outcome.or(page.locator('.hold[aria-pressed="false"]')).waitFor();
  await page
    .getByRole('button', { name: 'Done' })
    .click({ timeout: 3000 })
    .catch(() => undefined);
  await outcome.waitFor();
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
  await clutchIs(page, 'on');
  await goTo(page, '/settings');
  await goTo(page, '/command');
  await clutchIs(page, 'off');
  await page.getByRole('button', { name: 'Done' }).click();
  await isBack(page).waitFor();
  await giveUpCar(page);
  await context.close();
});

/** Goes on with the tab key until this is where the keyboard is. */
async function tabTo(page: Page, target: Locator): Promise<void> {
  for (let k = 0; k < 150; k += 1) {
    if (await target.evaluate((element) => element === document.activeElement)) return;
    await page.keyboard.press('Tab');
  }
  throw new Error(`the tab key does not lead to ${target}`);
}

test('by keyboard alone, in Spanish, with text at 200 %', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop', { locale: 'es-ES' });
  await page.evaluate(() => localStorage.setItem('scale', '2'));
  await page.reload();
  await page.locator('.strip').waitFor();
  await tabTo(page, page.getByRole('button', { name: 'Conectar', exact: true }).first());
  await page.keyboard.press('Enter');
  await page.locator('.lamp.on').waitFor();
  await page.keyboard.press('5');
  const clutch = outputIn(page, /compressor clutch/);
  await clutch.waitFor();
  await tabTo(page, clutch);
  await page.keyboard.press('Enter');
  await tabTo(page, page.getByRole('checkbox', { name: /^Lo he leído/ }));
  await page.keyboard.press(' ');
  await tabTo(page, page.getByRole('button', { name: 'Preparar' }));
  await page.keyboard.press('Enter');
  const button = page.locator('.hold[aria-disabled="false"]');
  await button.waitFor();
  await tabTo(page, button);
  await page.keyboard.down('Enter');
  await clutchIs(page, 'on');
  await page.keyboard.up('Enter');
  await expect.poll(() => isDriven(page)).toBe('false');
  await tabTo(page, page.getByRole('button', { name: 'Terminar' }));
  await page.keyboard.press('Enter');
  await isBack(page).waitFor();
  for (const place of ['/', '/command', '/report', '/settings', '/swap']) {
    await goTo(page, place);
    const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
    expect(overflow, place).toBeLessThanOrEqual(0);
    expect(await complaintsOfAxe(page), place).toEqual([]);
  }
  await giveUpCar(page);
  await context.close();
});
