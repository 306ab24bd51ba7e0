/** What is done to a running recording, here and on the road. */

import { send } from '../../api/http';
import { takeCar, tried } from '../../app/state';

/** Marks the present moment; whether that was done. */
export async function mark(): Promise<boolean> {
  return (await tried(send('POST', '/car/mark', { text: '' }).then(() => true))) ?? false;
}

export async function stop(): Promise<void> {
  if (await takeCar()) await tried(send('POST', '/car/stop'));
}
