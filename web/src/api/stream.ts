/** The one open connection: state of everything, live samples, and what this page says while it is open. */

import { type Frame, readFrame } from './frame';
import { read } from './read';
import type { FromPage, StateJson, ToPage } from './types';

interface Hears {
  state(state: StateJson): void;
  open(isOpen: boolean): void;
}

/** Pauses between tries to get a lost connection back, ms. */
const RETRIES = [250, 500, 1000, 2000];
/**
 * Without a word for this long the workbench is out of reach, ms: it says something every two seconds at least. A machine
 * that falls asleep and a network that ends say no farewell, and the browser would wait for minutes.
 */
const SILENT = 7000;

export class Stream {
  private socket: WebSocket | null = null;
  private tries = 0;
  private next: ReturnType<typeof setTimeout> | undefined;
  private silence: ReturnType<typeof setTimeout> | undefined;
  private watching: FromPage | null = null;
  /** The last frame that came and is not confirmed. */
  private newest: number | null = null;
  private readonly hears: Hears;
  private readonly listeners = new Set<(frame: Frame) => void>();
  private readonly keepers: ((frame: Frame) => void)[] = [];
  /** Called with every beat of the workbench: a command waits for this page. */
  beats: (beat: number) => void = () => {};

  constructor(hears: Hears) {
    this.hears = hears;
  }

  /** Opens the connection, unless it is open or about to be: whoever joins anew does so between two tries. */
  connect(): void {
    clearTimeout(this.next);
    if (this.socket) return;
    const socket = new WebSocket(
      `${location.protocol === 'https:' ? 'wss' : 'ws'}://${location.host}/api/stream`,
    );
    socket.binaryType = 'arraybuffer';
    this.socket = socket;
    this.expect(socket);
    socket.onopen = () => {
      if (this.socket !== socket) return;
      this.expect(socket);
      this.tries = 0;
      this.hears.open(true);
      if (this.watching) this.say(this.watching);
    };
    socket.onmessage = ({ data }) => {
      if (this.socket !== socket) return;
      this.expect(socket);
      if (typeof data === 'string') {
        const said: ToPage = read(data);
        if (said.type === 'state') this.hears.state(said);
        else if (said.type === 'beat') this.beats(said.beat);
        return;
      }
      const frame = readFrame(data as ArrayBuffer);
      for (const keeper of this.keepers) keeper(frame);
      for (const listener of this.listeners) listener(frame);
      this.confirm(frame.number);
    };
    socket.onclose = () => this.lost(socket);
  }

  /** The workbench will be heard again soon, or is given up. */
  private expect(socket: WebSocket): void {
    clearTimeout(this.silence);
    this.silence = setTimeout(() => {
      socket.close();
      this.lost(socket);
    }, SILENT);
  }

  private lost(socket: WebSocket): void {
    if (this.socket !== socket) return;
    clearTimeout(this.silence);
    this.socket = null;
    this.hears.open(false);
    this.next = setTimeout(() => this.connect(), RETRIES[Math.min(this.tries, RETRIES.length - 1)]);
    this.tries += 1;
  }

  /** Confirms what came once it is drawn: a page that cannot keep up gets less, not later. */
  private confirm(frame: number): void {
    const isAsked = this.newest !== null;
    this.newest = frame;
    // A page behind another, as that of a map on the road, draws nothing and still follows and speaks.
    if (document.visibilityState !== 'visible') this.seen();
    else if (!isAsked) requestAnimationFrame(() => this.seen());
  }

  private seen(): void {
    if (this.newest === null) return;
    this.say({ type: 'seen', frame: this.newest });
    this.newest = null;
  }

  say(message: FromPage): void {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  /** `keeper` gets whatever comes for anybody, as long as the page is open. */
  keep(keeper: (frame: Frame) => void): void {
    this.keepers.push(keeper);
  }

  /** From now on `listener` gets these signals of the feed (null: all); returns how to end that. */
  watch(signals: number[] | null, listener: (frame: Frame) => void, everyMs = 8): () => void {
    this.listeners.add(listener);
    this.watching = { type: 'watch', signals, every_ms: everyMs };
    this.say(this.watching);
    return () => {
      this.listeners.delete(listener);
      if (this.listeners.size > 0) return;
      this.watching = { type: 'watch', signals: [], every_ms: 1000 };
      this.say(this.watching);
    };
  }
}
