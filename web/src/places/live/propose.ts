/** Which signals to record for the suspects that are open: what the checks of their area look at. */

import type { Proof, Signal, SuspectArea } from '../../api/types';

const ENGINE = ['engine.speed', 'engine.load', 'vehicle.speed'];
const MIXTURE = [
  'fuel.trim.short.bank_1',
  'fuel.trim.long.bank_1',
  'fuel.trim.short.bank_2',
  'fuel.trim.long.bank_2',
  'intake.air_flow',
  'intake.manifold_pressure',
  'lambda.bank_1_sensor_1',
  'oxygen.voltage.bank_1_sensor_1',
  'coolant.temperature',
];

/** By the first word of an area's name; a name that ends in a dot or underscore stands for all that begin so. */
const WANTED: Record<string, readonly string[]> = {
  misfire: [
    ...ENGINE,
    'misfire.cylinder_',
    'pedal.position_1',
    'coolant.temperature',
    'fuel.trim.short.bank_1',
  ],
  'misfire-several': [...ENGINE, 'misfire.cylinder_', ...MIXTURE],
  lean: [...ENGINE, ...MIXTURE],
  rich: [...ENGINE, ...MIXTURE],
  airflow: [...ENGINE, ...MIXTURE, 'intake.air_temperature', 'barometric.pressure'],
  catalyst: [...ENGINE, 'oxygen.voltage.', 'lambda.', 'fuel.trim.'],
  evap: [...ENGINE, 'fuel.trim.'],
  'wheel-speed': ['wheel.speed.', 'vehicle.speed', 'steering.angle', 'yaw.rate'],
  pedal: ['pedal.position_', 'engine.speed', 'vehicle.speed'],
  throttle: ['throttle.position_', 'pedal.position_1', 'engine.speed'],
  thermostat: ['coolant.temperature', 'intake.air_temperature', ...ENGINE],
  charging: ['battery.voltage', 'adapter.voltage', 'engine.speed'],
  cranking: ['battery.voltage', 'adapter.voltage', 'engine.speed'],
  'air-conditioning': ['ac.', 'fan.command', 'engine.speed', 'battery.voltage'],
};

/** Most signals that are proposed at once: more make every one of them slower. */
const MOST = 16;

export interface Proposal {
  /** The area of suspects, or the check whose fault is to be proven gone. */
  title: string;
  signals: string[];
}

/** For every open area that signals tell something of: those that can be read, the most telling first. */
export function proposals(areas: readonly SuspectArea[], known: readonly Signal[]): Proposal[] {
  const readable = known.filter((one) => one.readable).map((one) => one.id);
  return areas.flatMap((area) => {
    if (area.decided) return [];
    const wanted = WANTED[area.id.split('.')[0] ?? ''] ?? [];
    const signals = wanted.flatMap((name) =>
      /[._]$/.test(name)
        ? readable.filter((id) => id.startsWith(name))
        : readable.filter((id) => id === name),
    );
    const once = [...new Set(signals)].slice(0, MOST);
    return once.length > 0 ? [{ title: area.title, signals: once }] : [];
  });
}

/** For every fault whose repair is not proven yet: what a drive must record to count for that. */
export function forProof(proof: Proof | null, known: readonly Signal[]): Proposal[] {
  const readable = new Set(known.filter((one) => one.readable).map((one) => one.id));
  return (proof?.faults ?? []).flatMap((fault) => {
    const signals = fault.signals.filter((id) => readable.has(id));
    return fault.outcome === 'gone' || signals.length === 0 ? [] : [{ title: fault.kind, signals }];
  });
}
