import type { FreezeFrame, Module } from '../../api/types';

/** Freeze frames of codes that stand in no list of the module: it may have kept one longer than the other, or told one only. */
export function unlisted(module: Pick<Module, 'codes' | 'freeze_frames'>): FreezeFrame[] {
  const listed = new Set(module.codes.map((code) => code.code));
  return module.freeze_frames.filter((frame) => !listed.has(frame.code));
}
