package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
)

// checkFormat names the files that gofmt would change. Generated code is left out: its generators decide its form.
func checkFormat(ctx context.Context, ws workspace, out io.Writer) error {
	var names bytes.Buffer
	if err := ws.exec(ctx, &names, "gofmt", "-l", "."); err != nil {
		return fmt.Errorf("%w\n%s", err, names.String())
	}
	var wrong []string
	for name := range strings.Lines(names.String()) {
		if name = strings.TrimSpace(name); !isGenerated(name) {
			wrong = append(wrong, name)
		}
	}
	if len(wrong) > 0 {
		fmt.Fprintln(out, strings.Join(wrong, "\n"))
		return fmt.Errorf("%d files are not in gofmt's form", len(wrong))
	}
	return nil
}
