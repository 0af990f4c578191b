package plant

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// childrenOf are the processes that a process started and that still run.
func childrenOf(parent int) (pids []int) {
	files, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return nil
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			continue
		}
		// pid (name) state ppid …; a name may hold anything.
		fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
		pid, err := strconv.Atoi(strings.Split(file, "/")[2])
		if err == nil && len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			pids = append(pids, pid)
		}
	}
	return pids
}
