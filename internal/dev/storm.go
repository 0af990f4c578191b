package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
)

// stormy builds the storm and runs it, handing on the arguments. It is run directly, so that it hears of an interruption and takes its plant down.
func stormy(ctx context.Context, ws workspace, args []string) error {
	dir, err := os.MkdirTemp("", "huskline-storm-program-")
	if err != nil {
		return err
	}
	program := filepath.Join(dir, "storm")
	err = ws.exec(ctx, ws.stdout, "go", "build", "-o", program, "./internal/storm/cmd")
	if err == nil {
		err = ws.exec(ctx, ws.stdout, program, args...)
	}
	return errors.Join(err, os.RemoveAll(dir))
}
