package postbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"time"
	"unicode/utf8"

	"huskline/internal/fault"
)

// poison is a message that can be no reading, as the quarantine file has it.
type poison struct {
	Received string `json:"received"`
	Topic    string `json:"topic"`
	Sender   string `json:"sender,omitempty"` // name of its token
	Reason   string `json:"reason"`
	Message  string `json:"message"`
	Payload  string `json:"payload,omitempty"` // where it is text
	Bytes    []byte `json:"bytes,omitempty"`   // base64, where it is not
}

// quarantine writes a message down with its reason, flushed, and only then takes it off the stream. A crash in between writes it down twice.
func (b *Box) quarantine(ctx context.Context, l letter, why error) error {
	p := poison{Received: b.cfg.Now().UTC().Format(time.RFC3339Nano), Topic: l.topic, Sender: l.sender, Reason: fault.ReasonOf(why), Message: why.Error()}
	if data := l.msg.Data(); utf8.Valid(data) {
		p.Payload = string(data)
	} else {
		p.Bytes = data
	}
	line, err := json.Marshal(p)
	if err != nil {
		return err
	}
	if err := appendLine(b.cfg.Quarantine, line); err != nil {
		return fmt.Errorf("quarantine of devices: %w", err)
	}
	b.cfg.Logger.ErrorContext(ctx, "device's message is in quarantine", "topic", l.topic, "reason", p.Reason, "message", p.Message, "file", b.cfg.Quarantine)
	return l.msg.DoubleAck(ctx)
}

// appendLine returns once the line is on the disk. Where a crash left half a line, the new one begins under it.
func appendLine(path string, line []byte) error {
	f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err != nil {
		return errors.Join(err, f.Close())
	}
	last := []byte{'\n'}
	if info.Size() > 0 {
		if _, err := f.ReadAt(last, info.Size()-1); err != nil {
			return errors.Join(err, f.Close())
		}
	}
	if last[0] != '\n' {
		line = append([]byte{'\n'}, line...)
	}
	_, err = f.Write(append(line, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}
