/** The workbench as it is used: the real program, an invented car, a real browser. */

import type { Browser, Locator, Page } from 'playwright-core';
import { afterAll, beforeAll, expect, test } from 'vitest';
import {
  launch,
  openPage,
  recordDrive,
  type Screen,
  screens,
  startWorkbench,
  type Workbench,
  watched,
} from './harness.ts';
import { complaintsOfAxe, connect, giveUpCar, goTo } from './steps.ts';

let workbench: Workbench;
let browser: Browser;

beforeAll(async () => {
  workbench = await startWorkbench();
  recordDrive(workbench, 420);
  browser = await launch();
});

afterAll(async () => {
  await browser?.close();
  await workbench?.end();
});

test('a page that has not heard of the car yet waits with Connect, and then connects', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'phone');
  await page.routeWebSocket(/\/api\/stream/, (socket) => {
    const speaksAt = Date.now() + 1500;
    const server = socket.connectToServer();
    server.onMessage((message) => {
      setTimeout(() => socket.send(message), Math.max(0, speaksAt - Date.now()));
    });
  });
  await page.reload();
  const button = page.getByRole('button', { name: 'Connect', exact: true }).first();
  await button.waitFor();
  expect(await button.isDisabled()).toBe(true);
  await button.click();
  await page.getByRole('region', { name: 'The connected car' }).waitFor({ timeout: 30_000 });
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

async function openDrive(page: Page, which: 'first' | 'last' = 'last'): Promise<void> {
  await goTo(page, '/review');
  await page.locator('.place a.line')[which]().click();
  await page.locator('.finding').first().waitFor();
}

test('what could not be asked for while there was no connection is asked for after it', async () => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  let cut = async () => {};
  await page.routeWebSocket(/\/api\/stream/, (socket) => {
    const server = socket.connectToServer();
    cut = async () => {
      await socket.close();
      await server.close();
    };
  });
  const all = '**/api/drives/**';
  await page.goto(`${workbench.url}review`);
  const drive = page.locator('.place a.line').last();
  await drive.waitFor();
  await page.route(all, (asked) => asked.abort());
  await drive.click();
  await page.getByRole('alert').getByText('the workbench does not answer').waitFor();
  expect(await page.getByText('Opening the drive').count()).toBe(0);
  await page.unroute(all);
  await cut();
  await page.locator('.finding').first().waitFor();
  await page.route(all, (asked) => asked.abort());
  await page.getByRole('button', { name: 'Wheel turns' }).click();
  await page.getByRole('alert').getByText('the workbench does not answer').waitFor();
  await page.unroute(all);
  await cut();
  await page.locator('.chart svg').first().waitFor();
  expect(await page.getByRole('alert').count()).toBe(0);
  await context.close();
});

/** Records a drive for the open case and pins what is on the screen; the entry leads back to that stretch. */
async function pinned(page: Page, ledger: Locator): Promise<void> {
  recordDrive(workbench, 30);
  await page.reload();
  await openDrive(page, 'first');
  await page.getByRole('button', { name: 'Pin to the ledger' }).click();
  await page.getByLabel('What there is to see').fill('all <b>calm</b>');
  await page.getByRole('dialog').getByRole('button', { name: 'Pin to the ledger' }).click();
  const entry = ledger.getByRole('link', { name: /all <b>calm/ });
  await entry.waitFor();
  expect(await entry.getAttribute('href')).toMatch(/^\/review\/.+#0\.000-\d+/);
}

/** Closes the case; the next one for the same car begins with what is known of it. */
async function cameBack(page: Page, model: string): Promise<void> {
  await goTo(page, '/');
  await page.getByRole('button', { name: 'Close the case' }).click();
  await page.getByLabel('How it ended').fill('a coil');
  await page.getByRole('button', { name: 'Close the case' }).click();
  await page.getByRole('button', { name: 'This car again' }).click();
  expect(await page.getByLabel('Maker, model, year').inputValue()).toBe(model);
  expect(await complaintsOfAxe(page)).toEqual([]);
}

test.each(Object.keys(screens) as Screen[])(
  'a drive is reviewed on a %s: what is faulty is named and jumped to',
  async (screen) => {
    const { page, context, complaints } = await openPage(browser, workbench, screen);
    await openDrive(page);
    const first = page.locator('.finding').first();
    expect(await first.innerText()).toMatch(/wheel speed, rear left/i);
    expect(await first.innerText()).toMatch(/faulty/);
    await page.keyboard.press('n');
    const view = page.locator('.overview .window');
    await expect.poll(() => view.getAttribute('aria-label')).not.toMatch(/0:00\.0 to 7:0/);
    const board = (await page.locator('canvas.board').boundingBox())!;
    for (const share of [0.4, 0.7]) {
      const [x, y] = [board.x + share * board.width, board.y + board.height / 2];
      if (screens[screen].hasTouch) await page.touchscreen.tap(x, y);
      else if (share < 0.5) await page.mouse.click(x, y);
      else {
        await page.keyboard.down('Shift');
        await page.mouse.click(x, y);
        await page.keyboard.up('Shift');
      }
    }
    await page
      .locator('.cursors')
      .getByText(/A .+ · B .+ s apart/)
      .waitFor();
    await context.close();
    expect(complaints).toEqual([]);
  },
);

test('live: numbers move, a mark is kept, and the drive appears when it is stopped', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await page.evaluate((signals) => localStorage.setItem('signals', JSON.stringify(signals)), watched);
  await connect(page);
  await goTo(page, '/live');
  await page.getByRole('button', { name: 'Record 6 signals' }).click();
  const value = page.locator('.reading .value').first();
  await expect.poll(() => value.innerText(), { timeout: 20_000 }).toMatch(/\d/);
  await page.keyboard.press('m');
  await expect.poll(() => page.getByRole('button', { name: /^Mark/ }).innerText()).toContain('1');
  // A page that is reloaded finds the recording running.
  await page.reload();
  await page.locator('.readings').waitFor();
  await page.getByRole('button', { name: 'Stop' }).click();
  await page.locator('.readings').waitFor({ state: 'detached' });
  await goTo(page, '/review');
  await expect.poll(() => page.locator('.place a.line').count()).toBeGreaterThanOrEqual(2);
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

test('a recording that does not begin says why where it was asked for', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'phone');
  await page.evaluate(() => localStorage.setItem('signals', '["custom.nowhere"]'));
  await connect(page);
  await goTo(page, '/live');
  await page.getByRole('button', { name: 'Record 1 signal' }).click();
  const alert = page.locator('.place').getByRole('alert');
  await alert.getByText('none of these signals').waitFor();
  await goTo(page, '/survey');
  await page.getByRole('button', { name: /^Survey/ }).click();
  await alert.waitFor({ state: 'detached' });
  await page.locator('.module').first().waitFor({ timeout: 30_000 });
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

test('signals are changed while a drive is recorded, and one view shows two against each other', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await page.evaluate(() => localStorage.setItem('signals', '["engine.speed","vehicle.speed"]'));
  await connect(page);
  await goTo(page, '/live');
  await page.getByRole('button', { name: 'Record 2 signals' }).click();
  await expect.poll(() => page.locator('.reading').count(), { timeout: 20_000 }).toBe(2);
  await page.getByRole('button', { name: 'One against another' }).click();
  await page.getByRole('img', { name: /Vehicle speed against Engine speed: [1-9]/i }).waitFor();
  await page.getByRole('button', { name: 'Standard view' }).click();
  await page.locator('canvas.board').waitFor();
  await page.getByRole('button', { name: 'Change signals' }).click();
  await page.getByRole('searchbox').fill('coolant temperature');
  await page.getByRole('checkbox').first().check();
  await page.getByRole('button', { name: 'Record these 3 signals from now on' }).click();
  await expect.poll(() => page.locator('.reading').count(), { timeout: 20_000 }).toBe(3);
  await expect.poll(() => page.locator('.reading .value').last().innerText()).toMatch(/\d/);
  await page.getByRole('button', { name: 'Stop' }).click();
  await page.locator('.readings').waitFor({ state: 'detached' });
  await giveUpCar(page);
  await context.close();
  expect(complaints).toEqual([]);
});

test('above walking pace nothing moves on the page, unless a passenger says so', async () => {
  const { page, context } = await openPage(browser, workbench, 'phone', {}, false);
  await page.evaluate(() => localStorage.setItem('signals', '["engine.speed","vehicle.speed"]'));
  await connect(page);
  await goTo(page, '/live');
  await page.getByRole('button', { name: 'Record 2 signals' }).click();
  await page.getByRole('heading', { name: 'Eyes on the road' }).waitFor({ timeout: 30_000 });
  expect(await page.locator('canvas').count()).toBe(0);
  await page.getByRole('button', { name: /^I am a passenger/ }).click();
  await page.locator('canvas.board').waitFor();
  await page.getByRole('button', { name: 'Stop' }).click();
  await page.locator('.readings').waitFor({ state: 'detached' });
  await giveUpCar(page);
  await context.close();
});

test('pictures of a drive, and a second drive over it', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await openDrive(page);
  await page.getByRole('button', { name: 'Wheel turns' }).click();
  await page.getByRole('img', { name: /with every turn/ }).waitFor();
  await page.getByRole('button', { name: 'Speed and load' }).click();
  await page.getByRole('img', { name: /over engine speed and load/ }).waitFor();
  expect(await complaintsOfAxe(page)).toEqual([]);
  await page.getByLabel(/^Signal/).selectOption('vehicle.speed');
  await page.getByLabel('Lay over it').selectOption({ index: 1 });
  await page.getByText('The other drive').first().waitFor();
  await page.getByRole('button', { name: 'Traces' }).click();
  await page.locator('canvas.board').waitFor();
  await context.close();
  expect(complaints).toEqual([]);
});

test('a phone joins by pairing code, looks on, and asks for the car', async () => {
  const bench = await openPage(browser, workbench, 'laptop');
  await goTo(bench.page, '/settings');
  const made = await bench.page.evaluate(async () => {
    const answer = await fetch('/api/people/invite', {
      method: 'POST',
      headers: { 'content-type': 'application/json' },
      body: '{"may_hold":true}',
    });
    return {
      status: answer.status,
      said: (await answer.json()) as { code: string; url: string; qr: string[] },
    };
  });
  expect(made.status).toBe(200);
  expect(made.said.code).toMatch(/^[1-9A-Z]{8}$/);
  expect(made.said.qr.length).toBeGreaterThan(20);
  await bench.page.evaluate(() => fetch('/api/car/take', { method: 'POST' }));
  const phone = await browser.newContext({ viewport: { width: 390, height: 780 }, serviceWorkers: 'block' });
  const page = await phone.newPage();
  await page.goto(made.said.url);
  await page.getByLabel('What others see this device as').fill('<b>phone</b>');
  await page.getByRole('button', { name: 'Join' }).click();
  await page.locator('.strip').waitFor();
  expect(new URL(page.url()).hash).toBe('');
  await page.getByRole('button', { name: /^Ask/ }).click();
  const handOver = bench.page.getByRole('button', { name: 'Hand the car to <b>phone</b>' });
  await handOver.click();
  await bench.page.getByRole('button', { name: /^Ask <b>phone<\/b>/ }).waitFor();
  expect(await bench.page.locator('b').count()).toBe(0);
  const again = await fetch(new URL('/api/session', made.said.url));
  expect(again.status).toBe(401);
  await giveUpCar(page);
  await bench.page.evaluate(() => fetch('/api/people/close', { method: 'POST' }));
  await phone.close();
  await bench.context.close();
});

test.each(['day', 'night', 'sun'])('contrast, names and roles hold in the %s colours', async (theme) => {
  const { page, context } = await openPage(browser, workbench, 'laptop');
  await page.evaluate((name) => localStorage.setItem('theme', name), theme);
  await page.reload();
  await page.locator('.strip').waitFor();
  await openDrive(page);
  expect(await complaintsOfAxe(page)).toEqual([]);
  for (const place of ['/', '/live', '/settings']) {
    await goTo(page, place);
    expect(await complaintsOfAxe(page), place).toEqual([]);
  }
  await context.close();
});

test('a case: complaint, survey, suspects and a swap stand in the ledger', async () => {
  const { page, context, complaints } = await openPage(browser, workbench, 'laptop');
  await page.getByRole('button', { name: 'New case' }).click();
  await page.getByLabel(/^The complaint/).fill('<img src=x> shakes when warm');
  await page.getByLabel('Maker, model, year').fill('Old <b>car');
  await page.getByRole('button', { name: 'Open the case' }).click();
  const ledger = page.getByRole('complementary', { name: 'Ledger' });
  await ledger.getByText('<img src=x> shakes when warm').waitFor();
  await connect(page);
  await goTo(page, '/survey');
  await page.getByRole('button', { name: /^Survey/ }).click();
  await ledger.locator('strong', { hasText: 'Survey' }).first().waitFor({ timeout: 30_000 });
  expect(await page.locator('.module').count()).toBeGreaterThan(1);
  await goTo(page, '/swap');
  await page.getByRole('button', { name: 'Coil 1 on cylinder 1' }).press('Enter');
  await page.getByRole('button', { name: 'Coil 4 on cylinder 4' }).press('Enter');
  await page.getByRole('button', { name: 'Coil 4 on cylinder 1' }).waitFor();
  await ledger.getByText('coil: cylinder 1 and cylinder 4').waitFor();
  await pinned(page, ledger);
  for (const place of ['/', '/survey', '/swap', '/road']) {
    await goTo(page, place);
    expect(await complaintsOfAxe(page), place).toEqual([]);
  }
  await giveUpCar(page);
  await cameBack(page, 'Old <b>car');
  await context.close();
  expect(complaints).toEqual([]);
});

test('Spanish, 200 % text and no mouse', async () => {
  const { page, context } = await openPage(browser, workbench, 'tablet', { locale: 'es-ES' });
  await page.evaluate(() => localStorage.setItem('scale', '2'));
  await page.reload();
  await page.locator('.strip').waitFor();
  await page.keyboard.press('4');
  await page.getByRole('heading', { name: 'Recorridos' }).waitFor();
  await page.keyboard.press(']');
  await expect
    .poll(() => page.evaluate(() => document.activeElement?.getAttribute('data-part')))
    .toBe('suspects');
  const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  expect(overflow).toBeLessThanOrEqual(0);
  await page.keyboard.press('?');
  await page.getByRole('dialog', { name: 'Teclas' }).waitFor();
  await context.close();
});

test('the road follows what must still be driven to prove a repair', async () => {
  const own = await startWorkbench('standin:fell?script=mixed');
  const counters = [1, 2, 3, 4].map((number) => `misfire.cylinder_${number}`);
  const signals = ['engine.speed', 'engine.load', 'vehicle.speed', ...counters];
  own.run('case', 'new', '--complaint', 'shakes', '--json');
  recordDrive(own, 400, 'standin:fell?script=mixed&fault=misfire-coil:2:0.7', signals);
  own.run('swap', 'add', '--part', 'coil', '--new-at', '2', '--text', 'new', '--json');
  own.run('proof', '--json');
  const { page, context, complaints } = await openPage(browser, own, 'phone');
  await page.evaluate((ids) => localStorage.setItem('signals', JSON.stringify(ids)), signals);
  await connect(page);
  await goTo(page, '/live');
  await page.getByRole('button', { name: /^Record 7/ }).click();
  await page.locator('.readings').waitFor({ timeout: 20_000 });
  await goTo(page, '/road');
  const goal = page.locator('.road-goal');
  await expect.poll(() => goal.innerText()).toMatch(/cylinder 2.*rpm.*s still to drive/s);
  // The signals of the condition arrive: nothing is lacking to follow it.
  await expect.poll(() => goal.innerText()).not.toContain('Needs these signals');
  await context.close();
  await own.end();
  expect(complaints).toEqual([]);
});
