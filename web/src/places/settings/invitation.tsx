/** A pairing code, as text and as a picture for a phone's camera. */

import type { InvitationJson } from '../../api/types';
import { Dialog } from '../../parts/dialog';
import { t } from '../../text';

export function Invitation({ invitation, close }: { invitation: InvitationJson; close: () => void }) {
  const size = invitation.qr.length;
  // One path of unit squares; four squares of quiet zone around it (ISO/IEC 18004).
  const squares = invitation.qr
    .flatMap((row, y) => [...row].map((square, x) => (square === '1' ? `M${x} ${y}h1v1h-1z` : '')))
    .join('');
  return (
    <Dialog title={t('invite_title')} close={close}>
      <p>{t('invite_how', { minutes: Math.round(invitation.lasts_s / 60) })}</p>
      <svg class="qr" viewBox={`-4 -4 ${size + 8} ${size + 8}`} role="img" aria-label={t('invite_picture')}>
        <rect x="-4" y="-4" width={size + 8} height={size + 8} fill="#fff" />
        <path d={squares} fill="#000" shape-rendering="crispEdges" />
      </svg>
      <p class="pairing figure">{`${invitation.code.slice(0, 4)} ${invitation.code.slice(4)}`}</p>
      <p class="quiet figure">{invitation.url.split('join')[0]}</p>
    </Dialog>
  );
}
