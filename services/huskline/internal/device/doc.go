// Package device reads scales and other devices that stand in the plant and hands what they weigh to whoever keeps it.
//
// Scales that speak the text frame of the Scale Manufacturers Association's serial protocol (SMA SCP-0499) are read over TCP or a serial line, asked
// frame by frame (demand) or listened to (continuous). Nothing is ever sent to a scale but the question for its weight: it is neither zeroed nor tared.
//
//	        frames alike, still, above the threshold
//	armed ────────────────────────────────────────────> settled ──> kept ──┐
//	  ^                                                                      │ every further frame of the same load changes nothing
//	  └──────────────── center of zero, not in motion <──────────────────────┘
//
// So each load is captured once. A load that settles without an empty scale before it is not captured, and that is told.
package device
