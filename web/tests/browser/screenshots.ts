/** Writes a picture of every place at every size into `screenshots`, to be looked at. */

import { mkdirSync, readdirSync, rmSync } from 'node:fs';
import { join } from 'node:path';
import type { Page } from 'playwright-core';
import { test } from 'vitest';
import {
  car,
  launch,
  openPage,
  recordDrive,
  type Screen,
  screens,
  startWorkbench,
  type Workbench,
  watched,
} from './harness.ts';
import { outputIn, goTo as step } from './steps.ts';

const folder = join(import.meta.dirname, '../../screenshots');
/** An invented model. */
const MODEL = 'Tarnwick Fell 1.6';
const recorded = [...watched, 'engine.load', 'intake.air_flow', 'fuel.trim.long.bank_1'];
/** Part of the names of the pictures that are wanted. */
const only = process.env.ONLY;

test('pictures of every place', { timeout: 1_200_000 }, async () => {
  const workbench = await startWorkbench();
  recordDrive(workbench, 420, `${car}&fault=air-leak:1`, recorded);
  keepHealthy(workbench);
  const browser = await launch();
  try {
    rmSync(folder, { recursive: true, force: true });
    mkdirSync(folder, { recursive: true });

    for (const screen of Object.keys(screens) as Screen[]) {
      const { page, context, complaints } = await openPage(browser, workbench, screen);
      const take = async (name: string) => {
        if (only && !name.includes(only)) return;
        await page.evaluate(() => document.fonts.ready);
        await page.screenshot({ path: `${folder}/${name}-${screen}.png` });
      };
      await page.evaluate((signals) => localStorage.setItem('signals', JSON.stringify(signals)), watched);
      if (screen === 'phone') {
        await page.getByRole('button', { name: 'New case' }).click();
        await page
          .getByLabel(/^The complaint/)
          .fill('Stumbles when warm, a lamp for the brakes comes and goes');
        await take('new-case');
        await page.getByRole('button', { name: 'Open the case' }).click();
        await page.getByText(/^Open case \d/).waitFor();
      }
      await take('start');
      await goTo(page, '/review');
      await take('review-list');
      const drive = await page.locator('.place a.line').last().getAttribute('href');
      await goTo(page, drive!);
      await page.locator('.finding').first().waitFor();
      await page.waitForTimeout(400);
      await take('review');
      await page.keyboard.press('n');
      await page.waitForTimeout(500);
      await take('review-found');
      for (const [name, button] of [
        ['map', 'Speed and load'],
        ['wheels', 'Wheel turns'],
      ] as const) {
        await page.getByRole('button', { name: button }).click();
        await page.locator('.chart svg').first().waitFor();
        await take(`review-${name}`);
      }
      await page.getByRole('button', { name: 'Healthy cars' }).click();
      await page.getByLabel('Model of the car').fill(MODEL);
      await page.getByRole('button', { name: 'Compare', exact: true }).click();
      await page.locator('.spread-row').first().waitFor({ state: 'attached' });
      await take('review-healthy');
      await goTo(page, '/');
      await page.getByRole('button', { name: 'Connect', exact: true }).first().click();
      await page.getByRole('region', { name: 'The connected car' }).waitFor();
      await take('connected');
      await goTo(page, '/live');
      await take('live-before');
      await page.getByRole('button', { name: /^Record/ }).click();
      await page.locator('.readings').waitFor({ timeout: 30_000 });
      await page.waitForTimeout(6000);
      await take('live');
      await page.getByRole('button', { name: 'Pause the picture' }).click();
      await page.locator('canvas.board').focus();
      await page.keyboard.press('c');
      await page.keyboard.press('ArrowLeft');
      await page.keyboard.press('Alt+c');
      await take('live-paused');
      await page.getByRole('button', { name: 'One against another' }).click();
      await page.locator('.chart svg').waitFor();
      await take('live-against');
      await page.getByRole('button', { name: 'Change signals' }).click();
      await take('live-change');
      await page.getByRole('button', { name: 'Standard view' }).click();
      for (const theme of ['night', 'sun', 'day']) {
        await themed(page, theme);
        await goTo(page, '/live');
        await page.locator('.readings').waitFor();
        await page.waitForTimeout(2500);
        if (theme !== 'day') await take(`live-${theme}`);
        await goTo(page, '/road');
        if (theme !== 'day') await take(`road-${theme}`);
      }
      await page.waitForTimeout(300);
      await take('road');
      await scaled(page, 2);
      await page.locator('.road-mark').waitFor();
      await take('road-200');
      await goTo(page, '/live');
      await page.locator('canvas.board').waitFor();
      await page.waitForTimeout(1500);
      await take('live-200');
      await goTo(page, drive!);
      await page.locator('.finding').first().waitFor();
      await take('review-200');
      await scaled(page, 1);
      await goTo(page, '/live');
      await page.getByRole('button', { name: 'Stop' }).click();
      await page.locator('.readings').waitFor({ state: 'detached' });
      await goTo(page, '/survey');
      await page
        .getByRole('button', { name: 'Survey the car' })
        .or(page.getByRole('button', { name: 'Survey again' }))
        .click();
      await page.locator('.module').first().waitFor({ timeout: 60_000 });
      await take('survey');
      await goTo(page, '/survey/clear');
      await page.getByRole('button', { name: 'Read and save everything first' }).click();
      await page
        .getByRole('checkbox', { name: 'I have read what will be lost' })
        .waitFor({ timeout: 60_000 });
      await take('survey-clear');
      await goTo(page, '/survey');
      await page.getByRole('button', { name: 'Compare the first with the last' }).click();
      await page.getByRole('region', { name: 'Before and after' }).locator('.sheet').first().waitFor();
      await page.getByRole('heading', { name: 'Before and after' }).scrollIntoViewIfNeeded();
      await take('survey-compared');
      await goTo(page, '/swap');
      await page.getByRole('button', { name: 'Coil 1 on cylinder 1' }).click();
      await take('swap');
      await page.keyboard.press('Escape');
      await goTo(page, '/road');
      await take('road-before');
      await goTo(page, '/settings');
      await take('settings');
      await page.getByRole('heading', { name: 'Storage' }).scrollIntoViewIfNeeded();
      await take('settings-below');
      await goTo(page, '/report');
      await page.frameLocator('.preview').locator('main').waitFor();
      await take('report');
      await page.getByText('Language, units, paper, pictures').click();
      await take('report-form');
      await commands(page, take);
      if (screen === 'phone') {
        for (const side of ['Ledger', 'Suspects']) {
          await page.getByRole('button', { name: side, exact: true }).click();
          await take(side.toLowerCase());
        }
      }
      for (const theme of ['night', 'sun']) {
        await themed(page, theme);
        await still(page, take, theme);
        await goTo(page, drive!);
        await page.locator('.finding').first().waitFor();
        await page.waitForTimeout(400);
        await take(`review-${theme}`);
        await goTo(page, '/report');
        await page.frameLocator('.preview').locator('main').waitFor();
        await take(`report-${theme}`);
        await goTo(page, '/command');
        await outputIn(page, /compressor clutch/).waitFor();
        await take(`command-list-${theme}`);
        await outputIn(page, /radiator fan/)
          .first()
          .click();
        await take(`command-before-${theme}`);
      }
      await page.evaluate(() => localStorage.setItem('language', 'es'));
      await themed(page, 'day');
      await still(page, take, 'es');
      await goTo(page, drive!);
      await page.locator('.finding').first().waitFor();
      await page.waitForTimeout(400);
      await take('review-es');
      await goTo(page, '/command');
      await page.locator('.place a.line').first().waitFor();
      await take('command-list-es');
      await page.locator('.place a.line').first().click();
      await take('command-before-es');
      if (complaints.length > 0) process.stderr.write(`${screen}: ${complaints.join('\n')}\n`);
      await page.evaluate(() =>
        fetch('/api/car/hand-over', {
          method: 'POST',
          headers: { 'content-type': 'application/json' },
          body: '{"to":null}',
        }),
      );
      await context.close();
    }
  } finally {
    await browser.close();
    await workbench.end();
  }
  process.stdout.write(`pictures are in ${folder}; the car was ${car}\n`);
});

/** A drive of a healthy car of the same model, in a case of its own. */
function keepHealthy(workbench: Workbench): void {
  const drives = join(workbench.home, 'drives');
  const before = readdirSync(drives);
  workbench.run('case', 'new', '--complaint', 'none', '--model', MODEL, '--json');
  recordDrive(workbench, 900, 'standin:fell?seed=4', recorded);
  const drive = readdirSync(drives).find((file) => file.endsWith('.mcap') && !before.includes(file))!;
  workbench.run('case', 'reference', join(drives, drive), '--text', 'no complaint, no code', '--json');
}

async function themed(page: Page, theme: string): Promise<void> {
  await page.evaluate((name) => localStorage.setItem('theme', name), theme);
  await page.reload();
  await page.locator('.strip').waitFor();
}

/** Places where nothing moves, and on a phone what stands beside the bench. */
async function still(page: Page, take: (name: string) => Promise<void>, name: string): Promise<void> {
  for (const place of ['start', 'survey', 'live', 'road', 'swap', 'settings']) {
    await goTo(page, place === 'start' ? '/' : `/${place}`);
    await page.locator('.bench .place').waitFor();
    await page.waitForTimeout(200);
    await take(`${place}-still-${name}`);
  }
  for (const [k, part] of (['ledger', '', 'suspects'] as const).entries()) {
    const tap = page.locator('.thumb button').nth(k);
    if (!(await tap.isVisible())) return;
    await tap.click();
    if (part) await take(`${part}-${name}`);
  }
  await page.locator('.thumb button').nth(1).click();
}

/** Text at so many times its size. */
async function scaled(page: Page, factor: number): Promise<void> {
  await page.evaluate((scale) => {
    localStorage.setItem('scale', String(scale));
  }, factor);
  await page.reload();
  await page.locator('.strip').waitFor();
}

/** A car that stands idling, its outputs, one of them prepared, driven and over. */
async function commands(page: Page, take: (name: string) => Promise<void>): Promise<void> {
  await goTo(page, '/');
  await page.getByLabel('Address of another adapter').fill('standin:fell?script=idle');
  await page.getByRole('button', { name: 'Connect', exact: true }).last().click();
  await page.waitForTimeout(1500);
  await goTo(page, '/command');
  await outputIn(page, /compressor clutch/).waitFor();
  await take('command-list');
  await outputIn(page, /radiator fan/)
    .first()
    .click();
  await take('command-before');
  await page.getByRole('checkbox', { name: /^I have read this/ }).check();
  await page.getByRole('button', { name: 'Prepare' }).click();
  await page.getByText('Hold to drive').waitFor({ timeout: 20_000 });
  await page.waitForTimeout(3000);
  await page.locator('.hold').hover();
  await page.mouse.down();
  await page.waitForTimeout(2500);
  await take('command-held');
  await page.mouse.up();
  await page.waitForTimeout(500);
  await page.getByRole('button', { name: 'Done' }).click();
  await page.getByText('Measured response').waitFor();
  await take('command-over');
}

async function goTo(page: Page, path: string): Promise<void> {
  await step(page, path);
  await page.waitForTimeout(150);
}
