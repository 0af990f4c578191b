// Package weighfeed posts scale readings to intake over its bidirectional stream: from a file or a pipe of CSV or JSON lines, as `huskline weigh`
// does, and batch by batch for whoever has readings already, as the season import does.
//
// A batch that was not answered is sent again under its id, on a new stream where the old one broke; a reading that was kept before is answered
// "repeated". So nothing is lost or doubled however often a feed is posted.
package weighfeed
