//go:build !linux

package plant

import "errors"

var errLinux = errors.New("only Linux has what it takes")

// Alone does nothing where there are no mount namespaces.
func Alone() (done bool, code int) { return false, 0 }

func (d *Disk) format() error { return errLinux }

// Mount is not possible here.
func (d *Disk) Mount() error { return errLinux }

// Unmount has nothing to do here.
func (d *Disk) Unmount() error { return nil }

// CutPower is not possible here.
func (d *Disk) CutPower() error { return errLinux }

func (d *Disk) fill(string) error { return errLinux }

func childrenOf(int) []int { return nil }
