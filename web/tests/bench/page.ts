/** What is measured inside the page. */

import type { Page } from 'playwright-core';

/** What the page offers to whoever measures: see `web/src/trace/board.tsx`. */
interface Measured extends HTMLCanvasElement {
  board?: {
    traces: { samples: { n: number; v: Float64Array } }[];
    view: { value: { from: number; to: number } };
    whole: { from: number; to: number };
    look(view: { from: number; to: number }): void;
    drawn: (() => void) | null;
  };
}

/** Time that the page worked on each frame for so many seconds, ms: from its first callback until it is painted. */
export function frameWork(
  page: Page,
  seconds: number,
  pan = false,
): Promise<{ work: number[]; gaps: number[] }> {
  return page.evaluate(
    ([seconds, pan]) =>
      new Promise<{ work: number[]; gaps: number[] }>((done) => {
        const [work, gaps]: [number[], number[]] = [[], []];
        const begun = performance.now();
        const channel = new MessageChannel();
        let frame = begun;
        let last = 0;
        let way = 1;
        channel.port1.onmessage = () => work.push(performance.now() - frame);
        const turn = (at: number) => {
          frame = performance.now();
          if (last > 0) gaps.push(at - last);
          last = at;
          const board = (document.querySelector('canvas.board') as Measured | null)?.board;
          if (pan && board) {
            const { from, to } = board.view.value;
            const by = (to - from) * 0.015 * way;
            if (to + by > board.whole.to || from + by < board.whole.from) way = -way;
            board.look({ from: from + by, to: to + by });
          }
          channel.port2.postMessage(0);
          if (frame - begun < seconds * 1000) requestAnimationFrame(turn);
          else setTimeout(() => done({ work, gaps }), 50);
        };
        requestAnimationFrame(turn);
      }),
    [seconds, pan] as const,
  );
}

/** When each value of the first trace was on the screen first, ms since 1970, over some seconds. */
export function seenAt(page: Page, seconds: number): Promise<[number, number][]> {
  return page.evaluate(
    (seconds) =>
      new Promise<[number, number][]>((done) => {
        const seen: [number, number][] = [];
        const board = (document.querySelector('canvas.board') as Measured).board!;
        let known = board.traces[0]!.samples.n;
        const channel = new MessageChannel();
        const waiting: number[] = [];
        channel.port1.onmessage = () => {
          const at = performance.timeOrigin + performance.now();
          for (const value of waiting.splice(0)) seen.push([value, at]);
        };
        board.drawn = () => {
          const { n, v } = board.traces[0]!.samples;
          for (; known < n; known += 1) waiting.push(v[known]!);
          // Comes after the frame is painted.
          channel.port2.postMessage(0);
        };
        setTimeout(() => {
          board.drawn = null;
          done(seen);
        }, seconds * 1000);
      }),
    seconds,
  );
}

/** Opens a drive of the list by a tap and waits for its first picture; ms from the tap. */
export async function firstPicture(page: Page, id: string): Promise<number> {
  await page.locator(`.place a.line[href="/review/${id}"]`).waitFor();
  return page.evaluate(
    (id) =>
      new Promise<number>((done) => {
        const link = document.querySelector<HTMLAnchorElement>(`.place a.line[href="/review/${id}"]`)!;
        const tapped = performance.now();
        const channel = new MessageChannel();
        channel.port1.onmessage = () => done(performance.now() - tapped);
        const look = () => {
          const board = (document.querySelector('canvas.board') as Measured | null)?.board;
          if (board) {
            board.drawn = () => {
              if (
                !board.traces.some(
                  (trace) => trace.samples.n > 0 || (trace as { coarse?: { n: number } }).coarse!.n > 0,
                )
              )
                return;
              board.drawn = null;
              channel.port2.postMessage(0);
            };
          } else requestAnimationFrame(look);
        };
        look();
        link.click();
      }),
    id,
  );
}

/** Opens so many streams that take every sample; returns how many values each got so far when it is called. */
export function watchers(page: Page, n: number): Promise<void> {
  return page.evaluate(
    (n) =>
      Promise.all(
        Array.from(
          { length: n },
          () =>
            new Promise<void>((done) => {
              const socket = new WebSocket(`ws://${location.host}/api/stream`);
              socket.binaryType = 'arraybuffer';
              socket.onopen = () => {
                socket.send(JSON.stringify({ type: 'watch', signals: null, every_ms: 8 }));
                done();
              };
              socket.onmessage = ({ data }) => {
                if (typeof data === 'string') return;
                const frame = new DataView(data as ArrayBuffer).getUint32(0, true);
                socket.send(JSON.stringify({ type: 'seen', frame }));
              };
            }),
        ),
      ).then(() => undefined),
    n,
  );
}
