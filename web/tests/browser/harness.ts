/** The real program on an invented car, and a real browser in front of it. */

import { type ChildProcess, execFileSync, spawn } from 'node:child_process';
import { mkdtempSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join, resolve } from 'node:path';
import { type Browser, type BrowserContext, chromium, type Page } from 'playwright-core';

/** The program; `cargo xtask` names the one that it built. */
export const program =
  process.env.WITNESS_PROGRAM ?? resolve(import.meta.dirname, '../../../target/debug/witness');

/** Screens that real work happens on. */
export const screens = {
  phone: { width: 390, height: 780, hasTouch: true, isMobile: true, deviceScaleFactor: 2 },
  tablet: { width: 1200, height: 800, hasTouch: true, isMobile: true, deviceScaleFactor: 1 },
  laptop: { width: 1440, height: 900, hasTouch: false, isMobile: false, deviceScaleFactor: 1 },
} as const;
export type Screen = keyof typeof screens;

/** An invented car with two faults that a drive of some minutes proves. */
export const car = 'standin:fell?fault=wheel-dropout:rear_left:0.5&fault=misfire-coil:1:0.6';

export const watched = [
  'engine.speed',
  'vehicle.speed',
  'wheel.speed.front_left',
  'wheel.speed.front_right',
  'wheel.speed.rear_left',
  'wheel.speed.rear_right',
];

export interface Workbench {
  url: string;
  home: string;
  /** The process, to measure or to end. */
  process: ChildProcess;
  /** Runs the command line on the same data. */
  run(...words: string[]): string;
  end(): Promise<void>;
}

export async function startWorkbench(adapter = car, more: string[] = []): Promise<Workbench> {
  const home = mkdtempSync(join(tmpdir(), 'witness-'));
  const env = { ...process.env, WITNESS_HOME: home };
  const words = ['serve', '--no-open', '--json', '--listen', '127.0.0.1:0', '--adapter', adapter, ...more];
  const child = spawn(program, words, { env, stdio: ['ignore', 'pipe', 'inherit'] });
  const url = await new Promise<string>((done, failed) => {
    let said = '';
    child.stdout!.on('data', (bytes: Buffer) => {
      said += bytes.toString();
      const found = /"url":\s*"([^"]+)"/.exec(said);
      if (found) done(found[1]!);
    });
    child.on('exit', (code) =>
      failed(new Error(`the workbench ended with ${code} before it said where it is`)),
    );
    child.on('error', failed);
  });
  return {
    url,
    home,
    process: child,
    run: (...words) =>
      execFileSync(program, words, { env, encoding: 'utf8', stdio: ['ignore', 'pipe', 'pipe'] }),
    end: () =>
      new Promise((done) => {
        child.removeAllListeners('exit');
        child.on('exit', () => {
          rmSync(home, { recursive: true, force: true });
          done();
        });
        child.kill('SIGTERM');
      }),
  };
}

/** Records a drive of the invented car; its clock runs as fast as it can there. */
export function recordDrive(
  workbench: Workbench,
  seconds: number,
  adapter = car,
  signals: readonly string[] = watched,
): void {
  workbench.run(
    'drive',
    'record',
    '--adapter',
    adapter,
    '--signals',
    signals.join(','),
    '--seconds',
    String(seconds),
    '--json',
  );
}

export function launch(): Promise<Browser> {
  return chromium.launch({
    executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
    args: [
      '--headless',
      '--no-sandbox',
      '--disable-gpu',
      '--disable-quic',
      '--no-first-run',
      '--disable-background-networking',
      '--disable-component-update',
      '--disable-sync',
    ],
  });
}

/** A page of the workbench; whatever it complains about ends the test. */
export async function openPage(
  browser: Browser,
  workbench: Workbench,
  screen: Screen,
  more: Parameters<Browser['newContext']>[0] = {},
  isPassenger = true,
): Promise<{ page: Page; context: BrowserContext; complaints: string[] }> {
  const { width, height, ...device } = screens[screen];
  const context = await browser.newContext({
    viewport: { width, height },
    ...device,
    locale: 'en-GB',
    serviceWorkers: 'block',
    ...more,
  });
  const page = await context.newPage();
  // Who looks at a page while the invented car drives is its passenger.
  if (isPassenger) await page.addInitScript(() => sessionStorage.setItem('passenger', 'yes'));
  page.setDefaultTimeout(15_000);
  const complaints: string[] = [];
  page.on('pageerror', (error) => complaints.push(error.message));
  page.on('console', (message) => {
    if (message.type() === 'error') complaints.push(`${message.text()} ${message.location().url}`);
  });
  page.on('response', async (response) => {
    if (response.status() >= 500)
      complaints.push(`${response.url()}: ${await response.text().catch(() => '')}`);
  });
  await page.goto(workbench.url);
  await page.locator('.strip').waitFor();
  return { page, context, complaints };
}
