/** Two clients and one car; an adapter that is pulled; files from elsewhere; what is handed over. */

import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Browser, BrowserContext, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import { launch, openPage, recordDrive, startWorkbench, type Workbench, watched } from './harness.ts';
import { complaintsOfAxe, connect, giveUpCar, goTo } from './steps.ts';

/** An adapter that is gone for two seconds, eight seconds after the first byte of the connection. */
const pulled = 'standin:fell?script=mixed&warm=1&gone=8:2';

let workbench: Workbench;
let browser: Browser;

beforeAll(async () => {
  workbench = await startWorkbench('standin:fell?script=mixed&warm=1');
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await workbench?.end();
});

/** A phone of the shop's network that may hold the car. */
async function joinAsPhone(bench: Page): Promise<{ page: Page; context: BrowserContext }> {
  await goTo(bench, '/settings');
  await bench.getByRole('button', { name: 'Invite, may hold the car' }).click();
  const code = (await bench.locator('.pairing').innerText()).replace(/\s/g, '');
  const url = (await bench.locator('dialog p.figure').last().innerText()).trim();
  await bench.getByRole('button', { name: 'Close', exact: true }).click();
  const context = await browser.newContext({
    viewport: { width: 390, height: 780 },
    serviceWorkers: 'block',
  });
  const page = await context.newPage();
  page.setDefaultTimeout(15_000);
  await page.goto(`${url}join#${code}`);
  await page.getByLabel('What others see this device as').fill('phone');
  await page.getByRole('button', { name: 'Join' }).click();
  await page.locator('.strip').waitFor();
  return { page, context };
}

const choose = (page: Page) =>
  page.evaluate((signals) => localStorage.setItem('signals', JSON.stringify(signals)), watched);

test('two clients want the car: the one asks, the other keeps it or hands it over, and all can see it', async () => {
  const bench = await openPage(browser, workbench, 'laptop');
  const phone = await joinAsPhone(bench.page);
  await choose(bench.page);
  await connect(bench.page);
  await goTo(bench.page, '/live');
  await bench.page.getByRole('button', { name: /^Record/ }).click();
  await bench.page.locator('.readings').waitFor({ timeout: 20_000 });
  // The phone looks on: it sees the same drive, and its Stop only asks.
  await goTo(phone.page, '/live');
  await expect.poll(() => phone.page.locator('.reading .value').first().innerText()).toMatch(/\d/);
  await phone.page.getByRole('button', { name: 'Stop' }).click();
  await phone.page.getByText('bench holds the car and was asked for it').waitFor();
  expect(await bench.page.locator('.readings').count(), 'the drive goes on').toBe(1);
  // On a narrow screen both answers stand beside each other, not one over the other (WCAG 2.2, 1.4.10: 320 px).
  await bench.page.setViewportSize({ width: 320, height: 780 });
  const strip = bench.page.locator('.strip');
  expect(await strip.evaluate((one) => one.scrollWidth - one.clientWidth)).toBeLessThanOrEqual(0);
  await bench.page.setViewportSize({ width: 1440, height: 900 });
  await bench.page.getByRole('button', { name: 'Keep it' }).click();
  await phone.page.getByRole('button', { name: 'Ask bench for the car' }).click();
  await bench.page.getByRole('button', { name: 'Hand the car to phone' }).click();
  await phone.page.getByRole('button', { name: 'You hold the car' }).waitFor();
  await phone.page.getByRole('button', { name: 'Stop' }).click();
  await bench.page.locator('.readings').waitFor({ state: 'detached' });
  await giveUpCar(phone.page);
  await phone.context.close();
  await bench.context.close();
});

test('the adapter is pulled and the page reloaded during a drive: it is said, and what was recorded is there', async () => {
  const { page, context } = await openPage(browser, workbench, 'phone');
  await choose(page);
  await page.getByLabel('Address of another adapter').fill(pulled);
  await page.getByRole('button', { name: 'Connect', exact: true }).last().click();
  await page.getByRole('region', { name: 'The connected car' }).waitFor();
  await goTo(page, '/live');
  await page.getByRole('button', { name: /^Record/ }).click();
  await page.locator('.readings').waitFor({ timeout: 20_000 });
  const said = page.locator('.note');
  await said.filter({ hasText: /lost|gone|adapter/i }).waitFor({ timeout: 20_000 });
  await page.reload();
  await page.locator('.readings').waitFor();
  await expect.poll(() => said.innerText(), { timeout: 20_000 }).toMatch(/again|back/i);
  // Something is to be recorded afterwards.
  await page.waitForTimeout(1000);
  await page.getByRole('button', { name: 'Stop' }).click();
  await page.locator('.readings').waitFor({ state: 'detached' });
  await goTo(page, '/review');
  await page.locator('.place a.line').first().click();
  await page.locator('.board').waitFor();
  const drive = decodeURIComponent(new URL(page.url()).pathname.split('/').at(-1)!);
  const file = join(workbench.home, 'drives', `${drive}.mcap`);
  const examined = JSON.parse(workbench.run('examine', file, '--json')) as {
    drive: { gaps: { from_s: number; to_s: number }[]; duration_s: number };
  };
  // How long a drive ran before the pull is up to the machine; what counts is that both sides of the gap are kept.
  const [gap] = examined.drive.gaps;
  expect(gap, 'the gap is on record').toBeDefined();
  expect(gap!.from_s, 'what was recorded before').toBeGreaterThan(0);
  expect(gap!.to_s, 'what was recorded afterwards').toBeLessThan(examined.drive.duration_s);
  await giveUpCar(page);
  await context.close();
});

test('a shop, its definitions and its storage; a drive from another shop; rubbish is refused', async () => {
  const { page, context } = await openPage(browser, workbench, 'tablet');
  await goTo(page, '/settings');
  await page.getByLabel('Name', { exact: true }).fill('Example Garage <b>');
  await page.getByLabel(/^Address and telephone/).fill('1 Example Street\n555 0100');
  await page.getByRole('button', { name: 'Keep', exact: true }).click();
  await page.getByText('Kept', { exact: true }).waitFor();
  const example = readFileSync(
    join(import.meta.dirname, '../../../crates/definition/data/makers/example.toml'),
  );
  const files = page.getByLabel('Add files');
  await files.setInputFiles({ name: 'example.toml', mimeType: 'text/plain', buffer: example });
  await page.getByText(/\d+ outputs?/).waitFor();
  await files.setInputFiles({ name: 'wrong.toml', mimeType: 'text/plain', buffer: Buffer.from('a = ') });
  await page.getByRole('alert').getByText('wrong.toml').waitFor();
  await page.getByRole('button', { name: 'Put away' }).click();
  await page.getByText(workbench.home).waitFor();
  const download = page.waitForEvent('download');
  await page.getByRole('link', { name: 'Copy of the casebook' }).click();
  expect((await download).suggestedFilename()).toBe('casebook.sqlite');
  expect(await complaintsOfAxe(page)).toEqual([]);

  await goTo(page, '/');
  const elsewhere = page.getByLabel('Choose a file');
  const table = Buffer.from('time_s,engine.speed [rpm]\n0,800\n1,810\n2,805\n');
  await elsewhere.setInputFiles({ name: '../idle run.csv', mimeType: 'text/csv', buffer: table });
  await page.getByRole('link', { name: /^The drive is here/ }).click();
  await page.locator('.board').waitFor();
  await goTo(page, '/');
  await elsewhere.setInputFiles({ name: 'x.mcap', mimeType: 'text/plain', buffer: Buffer.from('rubbish') });
  await page.getByRole('alert').waitFor();
  await context.close();
});

test('a case from another shop opens with its drives', async () => {
  const elsewhere = await startWorkbench('standin:fell');
  elsewhere.run('case', 'new', '--complaint', 'The brakes pulse', '--json');
  recordDrive(elsewhere, 60);
  const file = join(elsewhere.home, 'case.zip');
  elsewhere.run('case', 'export', file, '--json');
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await page.getByLabel('Choose a file').setInputFiles(file);
  await page.getByText(/^It is case \d+ here/).waitFor();
  await elsewhere.end();
  const line = page.locator('li.line', { hasText: 'The brakes pulse' });
  await line.getByRole('button', { name: 'Take up' }).click();
  await line.getByText('open here').waitFor();
  const ledger = page.getByRole('complementary', { name: 'Ledger' });
  await ledger.getByRole('link', { name: /Drive/ }).click();
  await page.locator('.board').waitFor();
  await page.locator('.finding').first().waitFor();
  await context.close();
  expect(complaints).toEqual([]);
});

test('a report is looked at, its pictures are chosen, and it is kept', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await page.getByRole('button', { name: 'New case' }).click();
  await page.getByLabel(/^The complaint/).fill('A lamp <i>comes</i> and goes');
  await page.getByRole('button', { name: 'Open the case' }).click();
  await page.getByText(/^Open case/).waitFor();
  recordDrive(workbench, 420, 'standin:fell?fault=wheel-dropout:rear_left:0.5');
  await page.reload();
  await page.getByRole('button', { name: 'Examine' }).click();
  await page.getByRole('complementary', { name: 'Ledger' }).getByText('Examined').waitFor();
  const ledger = page.getByRole('complementary', { name: 'Ledger' });
  const camera = ledger.getByLabel('Take a picture');
  await camera.setInputFiles({ name: 'note.jpg', mimeType: 'image/jpeg', buffer: Buffer.from('no picture') });
  await ledger.getByLabel('What note.jpg shows').fill('nothing');
  await ledger.getByRole('button', { name: 'Keep the picture' }).click();
  await page.getByRole('alert').getByText('neither PNG nor JPEG').waitFor();
  await page.getByRole('button', { name: 'Put away' }).click();
  await ledger.getByRole('button', { name: 'Not this one' }).click();
  await camera.setInputFiles(join(import.meta.dirname, '../../public/mark-192.png'));
  await ledger.getByLabel('What mark-192.png shows').fill('Chafed <b>lead</b> at the hub');
  await ledger.getByRole('button', { name: 'Keep the picture' }).click();
  const photo = ledger.getByRole('img', { name: 'Chafed <b>lead</b> at the hub' });
  await expect.poll(() => photo.evaluate((img: HTMLImageElement) => img.naturalWidth)).toBe(192);
  await page.evaluate(() => (document.activeElement as HTMLElement | null)?.blur());
  await page.keyboard.press('7');
  const paper = page.frameLocator('.preview');
  await paper.getByText('A lamp <i>comes</i> and goes').first().waitFor();
  await paper.getByText('Example Garage <b>').waitFor();
  await paper.getByRole('img', { name: /Chafed <b>lead/ }).waitFor();
  const pictures = await paper.locator('figure').count();
  expect(pictures).toBeGreaterThan(0);
  await page.getByText('Language, units, paper, pictures').click();
  await page.getByRole('group', { name: 'Pictures in it' }).getByRole('checkbox').first().uncheck();
  await expect.poll(() => paper.locator('figure').count()).toBe(pictures - 1);
  await page.getByLabel('Language').selectOption('es');
  await paper.locator('html[lang="es"]').waitFor();
  const download = page.waitForEvent('download');
  await page.getByRole('link', { name: 'Keep as HTML' }).click();
  const kept = await download;
  expect(kept.suggestedFilename()).toMatch(/^report-\d+\.html$/);
  const text = readFileSync(await kept.path(), 'utf8');
  expect(text).toContain('lang="es"');
  expect(text).not.toContain('<script');
  expect(await complaintsOfAxe(page)).toEqual([]);
  await context.close();
  // That the first file was no picture.
  expect(complaints.filter((line) => !line.includes('422'))).toEqual([]);
});

test('the pages are kept on the device: they open while the workbench is away, and go on when it is back', async () => {
  const { page, context } = await openPage(browser, workbench, 'phone', { serviceWorkers: 'allow' });
  await page.evaluate(async () => {
    await navigator.serviceWorker.ready;
    if (!navigator.serviceWorker.controller)
      await new Promise((done) => navigator.serviceWorker.addEventListener('controllerchange', done));
  });
  await context.setOffline(true);
  await goTo(page, '/settings');
  await page.reload();
  await page.getByText('Reaching the workbench').waitFor();
  await context.setOffline(false);
  await page.getByRole('heading', { name: 'Settings' }).waitFor();
  await context.close();
});
