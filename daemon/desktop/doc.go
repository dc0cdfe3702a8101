// Package desktop hides the desktop session that Copyhold runs beside, or the lack of one.
//
// Its rules:
//
//   - No desktop is a normal state, told by ErrNoDesktop and never a reason to stop work.
//   - A message that was shown is no proof that it was seen: whoever says something here also keeps it in the status.
//   - Nothing here waits for long. A desktop that hangs costs the caller a few seconds, then ErrNoAnswer.
//   - Text may hold any bytes, since it quotes file names. It is made harmless here, not by the callers.
package desktop
