/**
 * What the workbench is measured by, each figure beside its goal.
 *
 * Everything runs on one machine, the browser too, so that a machine that is busy shows in every figure: how busy it is
 * is printed first. Frames are drawn by the processor, as headless Chromium has no graphics hardware.
 */

import {
  createWriteStream,
  mkdirSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  writeFileSync,
} from 'node:fs';
import { join } from 'node:path';
import type { Browser, Page } from 'playwright-core';
import { afterAll, beforeAll, test } from 'vitest';
import { launch, openPage, startWorkbench, type Workbench } from '../browser/harness.ts';
import { type CountingCar, startCar } from './car.ts';
import { aside, figure, isBusy, machine, processorS, quantile, residentMb } from './figures.ts';
import { firstPicture, frameWork, seenAt, watchers } from './page.ts';

let browser: Browser;

beforeAll(async () => {
  process.stdout.write(`workbench: ${machine()}; frames are drawn by the processor\n`);
  if (isBusy()) aside('this machine does other work: what is missed here may be met on one at rest');
  browser = await launch();
});
afterAll(() => browser?.close());

const goTo = (page: Page, path: string) =>
  page.evaluate((to) => {
    history.pushState(null, '', to);
    dispatchEvent(new PopStateEvent('popstate'));
  }, path);

/** Seconds that something is looked at. `BENCH_SECONDS` makes them fewer for a quick look. */
const SECONDS = Number(process.env.BENCH_SECONDS ?? 20);

/** How often the page is opened anew: on a machine with other work a single time says little. */
const FIRST_LOADS = 7;

/** Opens the page in a browser that has nothing of it: bytes that came, and when it could be worked with, ms. */
async function firstLoad(workbench: Workbench): Promise<{ bytes: number; ready: number }> {
  const context = await browser.newContext({
    viewport: { width: 390, height: 780 },
    deviceScaleFactor: 2,
    serviceWorkers: 'block',
  });
  const page = await context.newPage();
  const devtools = await context.newCDPSession(page);
  await devtools.send('Network.enable');
  let bytes = 0;
  devtools.on('Network.loadingFinished', (one) => {
    bytes += one.encodedDataLength;
  });
  await devtools.send('Emulation.setCPUThrottlingRate', { rate: 4 });
  await page.addInitScript(() => {
    const look = () => {
      if (document.querySelector('.bench .place'))
        (globalThis as { readyAt?: number }).readyAt = performance.now();
      else requestAnimationFrame(look);
    };
    requestAnimationFrame(look);
  });
  await page.goto(workbench.url);
  await page.waitForFunction(() => (globalThis as { readyAt?: number }).readyAt);
  const ready = await page.evaluate(() => (globalThis as { readyAt?: number }).readyAt!);
  // The places that are loaded behind it count too.
  await page.waitForTimeout(3000);
  await page.waitForLoadState('networkidle');
  await context.close();
  return { bytes, ready };
}

test('at rest, and the first load', { timeout: 60_000 }, async () => {
  const workbench = await startWorkbench();
  try {
    await new Promise((done) => setTimeout(done, 1500));
    figure('server at rest, memory', residentMb(workbench.process.pid!), 40, 'MB');
    const loads = [];
    for (let k = 0; k < FIRST_LOADS; k += 1) loads.push(await firstLoad(workbench));
    const ready = loads.map((load) => load.ready);
    figure('first load, compressed', Math.max(...loads.map((load) => load.bytes)) / 1000, 300, 'kB');
    figure(
      `ready with the processor slowed down 4 times, median of ${FIRST_LOADS}`,
      quantile(ready, 0.5),
      1000,
      'ms',
    );
    aside(`${Math.min(...ready).toFixed(0)} to ${Math.max(...ready).toFixed(0)} ms`);
  } finally {
    await workbench.end();
  }
});

/** Eight hours of twelve signals at 20 Hz, as a road would give them: slow and quick, rough and in steps. */
async function longDrive(workbench: Workbench): Promise<string> {
  const table = join(workbench.home, 'long.csv');
  const out = createWriteStream(table);
  const names = [
    'engine.speed [rpm]',
    'vehicle.speed [km/h]',
    ...['front_left', 'front_right', 'rear_left', 'rear_right'].map((wheel) => `wheel.speed.${wheel} [km/h]`),
    'pedal.position_1 [%]',
    'pedal.position_2 [%]',
    'intake.manifold_pressure [kPa]',
    'coolant.temperature [degC]',
    'battery.voltage [V]',
    'intake.air_flow [g/s]',
  ];
  out.write(`time_s,${names.join()}\n`);
  let seed = 1;
  const noise = () => {
    seed = (seed * 1103515245 + 12345) & 0x7fffffff;
    return seed / 0x7fffffff - 0.5;
  };
  let rows = '';
  for (let k = 0; k < 8 * 3600 * 20; k += 1) {
    const t = k / 20;
    const kmh = 60 + 40 * Math.sin(t / 97) + 12 * Math.sin(t / 11);
    const pedal = 25 + 12 * Math.sin(t / 7) + 6 * noise();
    const values = [
      kmh * 34 + 40 * noise(),
      Math.round(kmh),
      kmh + 0.4 * noise(),
      kmh + 0.4 * noise(),
      kmh + 0.4 * noise(),
      kmh + 0.4 * noise(),
      pedal,
      pedal / 2,
      45 + pedal + 3 * noise(),
      Math.round(88 + 2 * Math.sin(t / 300)),
      14.1 + 0.1 * noise(),
      4 + pedal / 3 + noise(),
    ];
    rows += `${t.toFixed(3)},${values.map((value) => value.toFixed(2)).join()}\n`;
    if (rows.length > 1 << 20) {
      if (!out.write(rows)) await new Promise<void>((done) => out.once('drain', () => done()));
      rows = '';
    }
  }
  await new Promise<void>((done) => out.end(rows, done));
  mkdirSync(join(workbench.home, 'drives'), { recursive: true });
  const drive = join(workbench.home, 'drives', 'long.mcap');
  workbench.run('import', table, '--out', drive, '--no-case', '--json');
  rmSync(table);
  aside(`the drive: 8 h, 12 signals, 20 Hz, ${(statSync(drive).size / 1e6).toFixed(0)} MB`);
  return 'long';
}

/** How often that drive is opened anew. */
const FIRST_PICTURES = 3;

test('a drive of eight hours', { timeout: 600_000 }, async () => {
  const workbench = await startWorkbench();
  try {
    const id = await longDrive(workbench);
    const overview = join(workbench.home, 'overviews', `${id}.overview`);
    const open = async () => {
      const { page, context } = await openPage(browser, workbench, 'laptop');
      await goTo(page, '/review');
      const took = await firstPicture(page, id);
      return { page, context, took };
    };
    // The list is asked for when a page opens, and the overview is made then: wait until it is there.
    const first = await openPage(browser, workbench, 'laptop');
    const begun = performance.now();
    while (!exists(overview)) await new Promise((done) => setTimeout(done, 50));
    aside(
      `its overview was made ${((performance.now() - begun) / 1000).toFixed(1)} s after the list was asked for`,
    );
    await first.context.close();
    const times: number[] = [];
    for (let k = 1; k < FIRST_PICTURES; k += 1) {
      const { took, context } = await open();
      times.push(took);
      await context.close();
    }
    const { page, context, took } = await open();
    times.push(took);
    figure(`first picture of it after the tap, median of ${FIRST_PICTURES}`, quantile(times, 0.5), 300, 'ms');
    aside(`${Math.min(...times).toFixed(0)} to ${Math.max(...times).toFixed(0)} ms`);
    // Every check runs over it meanwhile; what is measured is looking at it, so wait for them.
    await page.locator('.finding, .findings p').first().waitFor({ timeout: 300_000 });
    await page.waitForFunction(() => document.querySelector('.finding') !== null, undefined, {
      timeout: 300_000,
    });
    aside(`server with it open and examined: ${residentMb(workbench.process.pid!).toFixed(0)} MB`);
    await page.getByRole('button', { name: /^\d+ signals/ }).click();
    for (const box of await page.locator('.hits input').all()) await box.check();
    await page.getByRole('button', { name: '12 signals' }).click();
    await page.waitForTimeout(1000);
    for (const [what, share] of [
      ['the whole of it, nearly', 0.9],
      ['an hour', 1 / 8],
      ['a minute', 1 / 480],
    ] as const) {
      await page.evaluate((share) => {
        const canvas = document.querySelector('canvas.board') as unknown as {
          board: { whole: { to: number }; look(view: { from: number; to: number }): void };
        };
        canvas.board.look({ from: 0, to: canvas.board.whole.to * share });
      }, share);
      await page.waitForTimeout(800);
      const { work, gaps } = await frameWork(page, SECONDS / 4, true);
      figure(`frame while panning ${what}, p95`, quantile(work, 0.95), 16.7, 'ms');
      aside(
        `p50 ${quantile(work, 0.5).toFixed(1)} ms; between frames p95 ${quantile(gaps, 0.95).toFixed(1)} ms`,
      );
    }
    await context.close();
  } finally {
    await workbench.end();
  }
});

function exists(file: string): boolean {
  return statSync(file, { throwIfNoEntry: false }) !== undefined;
}

/** A workbench that records from a car that counts. */
async function recordingOf(
  car: CountingCar,
): Promise<{ workbench: Workbench; page: Page; end(): Promise<void> }> {
  const workbench = await startWorkbench(car.address);
  const folder = join(workbench.home, 'definitions');
  mkdirSync(folder, { recursive: true });
  writeFileSync(join(folder, 'counter.toml'), car.definitions);
  const { page, context } = await openPage(browser, workbench, 'laptop');
  const post = (path: string, body?: unknown) =>
    page.evaluate(
      async ([path, body]) => {
        const answer = await fetch(`/api${path}`, {
          method: 'POST',
          headers: { 'content-type': 'application/json' },
          body: JSON.stringify(body ?? {}),
        });
        if (!answer.ok) throw new Error(`${path}: ${await answer.text()}`);
      },
      [path, body] as const,
    );
  await post('/car/take');
  await post('/car/connect', { adapter: car.address });
  await page.getByRole('region', { name: 'The connected car' }).waitFor({ timeout: 30_000 });
  await post('/car/record', { signals: car.signals, seconds: null });
  await goTo(page, '/live');
  await page.locator('.readings').waitFor({ timeout: 30_000 });
  return {
    workbench,
    page,
    end: async () => {
      await post('/car/stop');
      await page.locator('.readings').waitFor({ state: 'detached' });
      await context.close();
    },
  };
}

test('live: 16 signals at 50 Hz', { timeout: 120_000 }, async () => {
  const car = await startCar(16, 50);
  const { workbench, page, end } = await recordingOf(car);
  try {
    await page.waitForTimeout(3000);
    const before = car.answered[0]!;
    const seen = await seenAt(page, SECONDS);
    aside(`each signal ${((car.answered[0]! - before) / SECONDS).toFixed(1)} times a second`);
    const delays = seen.flatMap(([value, at]) => {
      const sent = car.sentAt[value];
      return sent === undefined ? [] : [at - sent];
    });
    figure('from the answer in the link to the drawn pixel, p99', quantile(delays, 0.99), 50, 'ms');
    aside(`p50 ${quantile(delays, 0.5).toFixed(1)} ms, ${delays.length} samples`);
    const { work, gaps } = await frameWork(page, SECONDS / 2);
    figure('frame while live, p95', quantile(work, 0.95), 16.7, 'ms');
    aside(
      `p50 ${quantile(work, 0.5).toFixed(1)} ms; between frames p95 ${quantile(gaps, 0.95).toFixed(1)} ms`,
    );
    await end();
  } finally {
    await workbench.end();
    car.end();
  }
});

test('20 clients watch 32 signals at 50 Hz', { timeout: 120_000 }, async () => {
  const car = await startCar(32, 50);
  const { workbench, page, end } = await recordingOf(car);
  try {
    await watchers(page, 19);
    await page.waitForTimeout(2000);
    const before = { answered: car.answered[0]!, processor: processorS(workbench.process.pid!) };
    await page.waitForTimeout(SECONDS * 1000);
    const used = (processorS(workbench.process.pid!) - before.processor) / SECONDS;
    aside(`each signal ${((car.answered[0]! - before.answered) / SECONDS).toFixed(1)} times a second`);
    figure('server with 20 clients, processors in use', used, 0.5, '');
    await end();
    const holes = lost(workbench);
    if (car.late > 0) aside(`${car.late} values were answered too late; holes in the counting: ${holes}`);
    figure('recorded samples that were lost', Math.max(0, holes - car.late), 0, '');
  } finally {
    await workbench.end();
    car.end();
  }
});

/** Holes in the counting of every signal of the drive that was recorded. */
function lost(workbench: Workbench): number {
  const folder = join(workbench.home, 'drives');
  const drive = readdirSync(folder).find((name) => name.endsWith('.mcap'))!;
  const table = join(workbench.home, 'recorded.csv');
  workbench.run('export', join(folder, drive), '--out', table, '--json');
  const [head, ...rows] = readFileSync(table, 'utf8').trimEnd().split('\n');
  const columns = head!.split(',').length - 1;
  let holes = 0;
  const last = new Array<number>(columns).fill(-1);
  for (const row of rows) {
    row
      .split(',')
      .slice(1)
      .forEach((cell, k) => {
        if (cell === '') return;
        const value = Number(cell);
        if (last[k]! >= 0 && value !== last[k]) holes += (value - last[k]! - 1 + 0x10000) % 0x10000;
        last[k] = value;
      });
  }
  aside(`${rows.length} rows, ${columns} signals`);
  return holes;
}
