package seasonfile

import "slices"

// components finds the strongly connected components of a graph (Tarjan's algorithm, without recursion: a season's chain of runs may be long).
// It returns the component of each node and the nodes in topological order, sources first; within a component the order means nothing.
func components(edges [][]int) (group []int, order []int) {
	w := walk{edges: edges, group: make([]int, len(edges)), index: make([]int, len(edges)), low: make([]int, len(edges))}
	for n := range edges {
		w.group[n] = -1
	}
	for n := range edges {
		if w.index[n] == 0 {
			w.from(n)
		}
	}
	slices.Reverse(w.order)
	return w.group, w.order
}

// walk is the state of the search: index counts from 1, 0 means not yet seen; group is -1 while a node is on the stack.
type walk struct {
	edges      [][]int
	group      []int
	index, low []int
	stack      []int
	order      []int
	seen       int
	groups     int
}

func (w *walk) from(root int) {
	type frame struct{ node, next int }
	frames := []frame{{node: root}}
	w.enter(root)
	for len(frames) > 0 {
		f := &frames[len(frames)-1]
		if f.next < len(w.edges[f.node]) {
			to := w.edges[f.node][f.next]
			f.next++
			switch {
			case w.index[to] == 0:
				w.enter(to)
				frames = append(frames, frame{node: to})
			case w.group[to] < 0:
				w.low[f.node] = min(w.low[f.node], w.index[to])
			}
			continue
		}
		node := f.node
		frames = frames[:len(frames)-1]
		if len(frames) > 0 {
			above := frames[len(frames)-1].node
			w.low[above] = min(w.low[above], w.low[node])
		}
		if w.low[node] == w.index[node] {
			w.leave(node)
		}
	}
}

func (w *walk) enter(n int) {
	w.seen++
	w.index[n], w.low[n] = w.seen, w.seen
	w.stack = append(w.stack, n)
}

func (w *walk) leave(root int) {
	for {
		n := w.stack[len(w.stack)-1]
		w.stack = w.stack[:len(w.stack)-1]
		w.group[n] = w.groups
		w.order = append(w.order, n)
		if n == root {
			break
		}
	}
	w.groups++
}
