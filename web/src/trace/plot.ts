/**
 * Draws traces over time on a canvas: lanes one above the other, or one lane for all.
 *
 * Each signal keeps its own times. A library for plots would want one common time column for all of them, which for
 * signals that are sampled in turn means mostly holes; this draws what there is.
 */

import type { Theme } from '../app/theme';
import { clock, unitShown, digits as written } from '../text';
import { Bars, isDense, isInk, layColumns, layLine } from './line';
import { traceColour, traceDash } from './palette';
import { digitsOf, niceStep, type Range, shown, steadyRange, ticks, timeTicks } from './scale';
import { firstAt, nearest, type Samples } from './series';

export interface Trace {
  id: string;
  label: string;
  unit: string;
  /** Which colour and pattern. */
  index: number;
  samples: Samples;
  /** A coarser picture of the whole drive, for what `samples` do not reach, and the stretch that those hold all of. */
  coarse?: Samples;
  reach?: Range;
  /** Of another drive, laid over the one that is looked at so many seconds later. */
  shift_s?: number;
}

/** A stretch that is laid under the traces. */
export interface Band {
  from: number;
  to: number;
  kind: 'faulty' | 'healthy' | 'undecided' | 'gap' | 'driven';
  /** Whether it is the one that is being looked at. */
  chosen: boolean;
  /** Which signals it is about; null for all. */
  about: readonly string[] | null;
}

export interface Scene {
  view: Range;
  traces: Trace[];
  layout: 'stacked' | 'shared' | 'own';
  bands: Band[];
  marks: readonly { t_s: number; text: string }[];
  /** Moments of the two cursors. */
  cursors: readonly [number | null, number | null];
}

/** Room for the values at the left and the times below, px. */
const LEFT = 56;
const BELOW = 22;
/** Height of a lane from which its label does not take what the trace needs, px. */
const ROOMY = 44;
/** Pattern of a drive that is laid over another. */
const OTHER = [3, 3];
const FONT = "500 12px 'Barlow Semi Condensed', Barlow, 'Arial Narrow', sans-serif";
const LABEL = "600 13px 'Barlow Semi Condensed', Barlow, 'Arial Narrow', sans-serif";

interface Ink {
  ink: string;
  quiet: string;
  rule: string;
  sheet: string;
  band: Record<Band['kind'], string>;
  theme: Theme;
}

export class Plot {
  readonly canvas: HTMLCanvasElement;
  private readonly pen: CanvasRenderingContext2D;
  private readonly ranges = new Map<string, Range>();
  private width = 0;
  private height = 0;
  private ink: Ink | null = null;

  constructor(canvas: HTMLCanvasElement) {
    this.canvas = canvas;
    const pen = canvas.getContext('2d', { alpha: false });
    if (!pen) throw new Error('this browser draws no canvas');
    this.pen = pen;
  }

  /** Fits the canvas to its box; returns whether there is anything to draw on. */
  fit(): boolean {
    const { clientWidth, clientHeight } = this.canvas;
    const ratio = Math.min(devicePixelRatio || 1, 2);
    if (
      clientWidth !== this.width ||
      clientHeight !== this.height ||
      this.canvas.width !== Math.round(clientWidth * ratio)
    ) {
      [this.width, this.height] = [clientWidth, clientHeight];
      this.canvas.width = Math.round(clientWidth * ratio);
      this.canvas.height = Math.round(clientHeight * ratio);
    }
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    return clientWidth > LEFT + 20 && clientHeight > BELOW + 20;
  }

  /** Colours are read from the page once per theme. */
  private look(): Ink {
    const theme = (document.documentElement.dataset.theme ?? 'day') as Theme;
    if (this.ink?.theme !== theme) {
      const style = getComputedStyle(document.documentElement);
      const get = (name: string) => style.getPropertyValue(name).trim();
      this.ink = {
        theme,
        ink: get('--ink'),
        quiet: get('--ink-2'),
        rule: get('--rule'),
        sheet: get('--sheet'),
        band: {
          faulty: get('--fault'),
          healthy: get('--sound'),
          undecided: get('--open'),
          gap: get('--ink-2'),
          driven: get('--paint'),
        },
      };
    }
    return this.ink;
  }

  /** Width of the part that shows time, px. */
  get span(): number {
    return Math.max(1, this.width - LEFT);
  }

  /** The moment at a place of the canvas. */
  timeAt(x: number, view: Range): number {
    return view.from + ((x - LEFT) / this.span) * (view.to - view.from);
  }

  draw(scene: Scene): void {
    if (!this.fit()) return;
    const { pen } = this;
    const ink = this.look();
    pen.fillStyle = ink.sheet;
    pen.fillRect(0, 0, this.width, this.height);
    pen.font = FONT;
    const bottom = this.height - BELOW;
    const lanes = scene.layout === 'stacked' ? lanesOf(scene.traces) : [scene.traces];
    this.times(scene, bottom, ink);
    const height = bottom / Math.max(lanes.length, 1);
    lanes.forEach((traces, k) => {
      this.lane(scene, traces, k * height, (k + 1) * height, ink);
    });
    this.marks(scene, bottom, ink);
    this.cursors(scene, bottom, ink);
  }

  private x(t: number, view: Range): number {
    return LEFT + ((t - view.from) / (view.to - view.from)) * this.span;
  }

  private times(scene: Scene, bottom: number, ink: Ink): void {
    const { pen } = this;
    const { at, digits } = timeTicks(scene.view, Math.max(2, Math.floor(this.span / 90)));
    pen.textAlign = 'center';
    pen.textBaseline = 'top';
    for (const t of at) {
      const x = Math.round(this.x(t, scene.view)) + 0.5;
      pen.strokeStyle = ink.rule;
      pen.lineWidth = 1;
      this.line(x, 0, x, bottom + 5);
      pen.fillStyle = ink.quiet;
      const text = clock(t, digits);
      const half = pen.measureText(text).width / 2;
      pen.fillText(text, Math.min(Math.max(x, LEFT + half), this.width - half - 2), bottom + 7);
    }
    pen.strokeStyle = ink.quiet;
    this.line(LEFT, bottom + 0.5, this.width, bottom + 0.5);
  }

  private lane(scene: Scene, traces: Trace[], top: number, bottom: number, ink: Ink): void {
    const { pen } = this;
    const { view } = scene;
    pen.save();
    pen.beginPath();
    pen.rect(0, top, this.width, bottom - top);
    pen.clip();
    for (const band of scene.bands) this.band(scene, band, traces, top, bottom, ink);
    const isShared = scene.layout === 'shared';
    const common = isShared ? this.range('shared', traces, view) : null;
    const first = traces[0];
    // The label has the top of the lane to itself, so that no trace runs through it: where there is room for both.
    const roof = top + (scene.layout === 'stacked' && bottom - top > ROOMY ? 20 : 4);
    const floor = bottom - 5;
    if (first && scene.layout !== 'own') {
      this.values(common ?? this.range(first.id, traces, view), roof, floor, ink);
    }
    for (const trace of traces) {
      const alike = traces.filter((one) => one.id === trace.id);
      const range = common ?? this.range(trace.id, alike, view);
      this.trace(trace, range, view, roof, floor, scene.layout !== 'stacked', ink);
    }
    if (scene.layout === 'stacked') {
      if (first) this.label(first, scene, top, ink);
      pen.strokeStyle = ink.rule;
      this.line(0, bottom - 0.5, this.width, bottom - 0.5);
    }
    pen.restore();
  }

  private range(key: string, traces: Trace[], view: Range): Range {
    let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
    for (const trace of traces) {
      const own = ownTime(trace, view);
      const chosen = finest(trace, own);
      const end = Math.min(chosen.n, firstAt(chosen, own.to) + 1);
      for (let k = Math.max(0, firstAt(chosen, own.from) - 1); k < end; k += 1) {
        const v = chosen.v[k]!;
        if (v < low) low = v;
        if (v > high) high = v;
      }
    }
    const range = steadyRange(this.ranges.get(key), low, high);
    this.ranges.set(key, range);
    return range;
  }

  private values(range: Range, roof: number, floor: number, ink: Ink): void {
    const { pen } = this;
    const n = Math.max(1, Math.floor((floor - roof) / 34));
    const digits = digitsOf(niceStep(range.to - range.from, n));
    pen.textAlign = 'right';
    pen.textBaseline = 'middle';
    for (const value of ticks(range, n)) {
      const y = Math.round(floor - ((value - range.from) / (range.to - range.from)) * (floor - roof)) + 0.5;
      pen.strokeStyle = ink.rule;
      this.line(LEFT, y, this.width, y);
      pen.fillStyle = ink.quiet;
      const text = Math.abs(value) >= 1e5 ? value.toExponential(1) : value.toFixed(digits);
      pen.fillText(written(text), LEFT - 6, Math.min(Math.max(y, roof + 2), floor - 3));
    }
  }

  private trace(
    trace: Trace,
    range: Range,
    shared: Range,
    roof: number,
    floor: number,
    dashed: boolean,
    ink: Ink,
  ): void {
    const { pen } = this;
    const view = ownTime(trace, shared);
    const isOther = trace.shift_s !== undefined;
    const samples = finest(trace, view);
    const from = Math.max(0, firstAt(samples, view.from) - 1);
    const to = Math.min(samples.n, firstAt(samples, view.to) + 1);
    if (to <= from) return;
    const [scaleX, scaleY] = [this.span / (view.to - view.from), (floor - roof) / (range.to - range.from)];
    const { t, v } = samples;
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, roof - 4, this.span, floor - roof + 8);
    pen.clip();
    const x = { zero: LEFT - view.from * scaleX, per: scaleX };
    const y = { zero: floor + range.from * scaleY, per: -scaleY };
    const width = ink.theme === 'sun' ? 2.5 : 1.5;
    const dashes = isOther ? OTHER : dashed ? traceDash(trace.index) : [];
    pen.strokeStyle = traceColour(ink.theme, trace.index);
    pen.fillStyle = pen.strokeStyle;
    if (isOther) pen.globalAlpha = 0.75;
    if (isDense(samples, from, to, x)) {
      const more = Math.ceil(width / 2) - 1;
      const bars = new Bars((left, top, wide, high) =>
        pen.fillRect(left, top - width / 2, wide + more, high + width),
      );
      const bar = (column: number, top: number, height: number) => {
        if (isInk(dashes, column)) bars.bar(column, top, height);
      };
      layColumns(bar, samples, from, to, x, y);
      bars.end();
    } else {
      pen.beginPath();
      layLine(pen, samples, from, to, x, y);
      pen.lineWidth = width;
      pen.lineJoin = 'bevel';
      pen.setLineDash([...dashes]);
      pen.stroke();
      pen.setLineDash([]);
    }
    // Far enough in, the samples themselves show: what lies between them was not measured.
    if (!isOther && (to - from) * 9 < this.span) {
      for (let k = from; k < to; k += 1) {
        pen.fillRect(x.zero + t[k]! * x.per - 2, y.zero + v[k]! * y.per - 2, 4, 4);
      }
    }
    pen.restore();
  }

  private label(trace: Trace, scene: Scene, top: number, ink: Ink): void {
    const { pen } = this;
    pen.font = LABEL;
    pen.textBaseline = 'top';
    pen.textAlign = 'left';
    pen.fillStyle = traceColour(ink.theme, trace.index);
    pen.fillRect(LEFT + 6, top + 6, 10, 8);
    pen.fillStyle = ink.ink;
    pen.fillText(trace.label, LEFT + 21, top + 4);
    const width = pen.measureText(trace.label).width;
    pen.font = FONT;
    pen.fillStyle = ink.quiet;
    pen.fillText(unitShown(trace.unit), LEFT + 27 + width, top + 5);
    const [a] = scene.cursors;
    const value = a === null ? null : reading(trace, a);
    if (value) {
      pen.textAlign = 'right';
      pen.font = LABEL;
      pen.fillStyle = ink.ink;
      pen.fillText(shown(value.v), this.width - 8, top + 4);
      pen.font = FONT;
    }
  }

  private band(scene: Scene, band: Band, traces: Trace[], top: number, bottom: number, ink: Ink): void {
    if (band.about && !traces.some((trace) => band.about!.includes(trace.id))) return;
    const from = this.x(band.from, scene.view);
    // However short a moment is, its band can be seen.
    const to = Math.max(this.x(band.to, scene.view), from + 2);
    const [left, right] = [Math.max(from, LEFT), Math.min(to, this.width)];
    if (right <= left) return;
    const { pen } = this;
    pen.globalAlpha = band.kind === 'gap' ? 0.14 : band.chosen ? 0.28 : 0.13;
    pen.fillStyle = ink.band[band.kind];
    pen.fillRect(left, top, right - left, bottom - top);
    pen.globalAlpha = 1;
    if (band.kind !== 'gap') {
      pen.fillRect(left, top, right - left, band.chosen ? 5 : 3);
      if (band.chosen) pen.fillRect(left, bottom - 4, right - left, 3);
    }
  }

  private marks(scene: Scene, bottom: number, ink: Ink): void {
    const { pen } = this;
    pen.fillStyle = ink.ink;
    pen.strokeStyle = ink.ink;
    for (const mark of scene.marks) {
      if (mark.t_s < scene.view.from || mark.t_s > scene.view.to) continue;
      const x = Math.round(this.x(mark.t_s, scene.view)) + 0.5;
      pen.setLineDash([2, 4]);
      this.line(x, 0, x, bottom);
      pen.setLineDash([]);
      pen.beginPath();
      pen.moveTo(x, bottom - 9);
      pen.lineTo(x + 6, bottom);
      pen.lineTo(x - 6, bottom);
      pen.fill();
    }
  }

  private cursors(scene: Scene, bottom: number, ink: Ink): void {
    const { pen } = this;
    scene.cursors.forEach((t, k) => {
      if (t === null || t < scene.view.from || t > scene.view.to) return;
      const x = Math.round(this.x(t, scene.view)) + 0.5;
      pen.strokeStyle = ink.ink;
      pen.lineWidth = 1;
      pen.setLineDash(k === 0 ? [] : [6, 4]);
      this.line(x, 0, x, bottom);
      pen.setLineDash([]);
      const text = `${k === 0 ? 'A' : 'B'} ${clock(t, 3)}`;
      const width = pen.measureText(text).width + 10;
      const left = Math.min(Math.max(x - width / 2, LEFT), this.width - width);
      pen.fillStyle = ink.ink;
      pen.fillRect(left, bottom + 3, width, 18);
      pen.fillStyle = ink.sheet;
      pen.textAlign = 'left';
      pen.textBaseline = 'top';
      pen.fillText(text, left + 5, bottom + 6);
    });
  }

  private line(x: number, y: number, toX: number, toY: number): void {
    this.pen.beginPath();
    this.pen.moveTo(x, y);
    this.pen.lineTo(toX, toY);
    this.pen.stroke();
  }
}

/** One lane per signal, also where two drives are laid over each other. */
function lanesOf(traces: Trace[]): Trace[][] {
  return [...new Set(traces.map((trace) => trace.id))].map((id) => traces.filter((trace) => trace.id === id));
}

/** The view in the time of the drive that a trace is of. */
function ownTime(trace: Trace, view: Range): Range {
  const shift = trace.shift_s ?? 0;
  return { from: view.from - shift, to: view.to - shift };
}

/** The finest picture that holds all of a view, as far as the drive has any of it. */
export function finest({ samples, coarse, reach }: Trace, view: Range): Samples {
  if (!coarse || !reach || coarse.n === 0) return samples;
  const [from, to] = [Math.max(view.from, coarse.t[0]!), Math.min(view.to, coarse.t[coarse.n - 1]!)];
  return reach.from <= from && reach.to >= to ? samples : coarse;
}

/** What a trace reads nearest to a moment of its own drive, as it is drawn there; null without samples. */
export function reading(trace: Trace, t: number): { t: number; v: number } | null {
  return nearest(finest(trace, { from: t, to: t }), t);
}
