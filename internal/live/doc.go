// Package live hands what a fold is told on to any number of watchers, each at its own pace, without one of them ever holding up another.
//
//	commits ─▶ follow.Follower ─▶ Hub: the newest notes, bounded ─┬▶ watcher ─▶ its caller
//	                                                              └▶ watcher that fell behind what is kept: told so, with where to go on
//
// A watcher begins now, or behind the mark that its last message carried. What lies between that mark and what the hub keeps is told from the
// database first; so nothing is lost and nothing comes twice. Of a watcher whose caller takes nothing, nothing is kept but its place.
//
// While nobody watches, and for some time after the last one left, the hub costs nothing: it begins to keep notes with the first watcher.
package live
