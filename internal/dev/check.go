package main

import "context"

func check(ctx context.Context, ws workspace, args []string) error { return nil }
