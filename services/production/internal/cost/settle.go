package cost

// mark notes that a node is to be evaluated.
func (b *Book) mark(n *node) {
	b.season.Store(nil)
	if !n.marked {
		n.marked = true
		b.marked = append(b.marked, n)
	}
}

// Settle evaluates what the facts since the last time have touched. Answers do so by themselves; calling it first lets them be asked side by side.
//
// First all nodes that could be reached are counted with the flows between them, which costs a pointer walk; then they are passed in
// topological order, and only marked ones are worked out. Nodes in a circle of flows, or below one, are never passed: they keep their former
// figures, are said to be stuck, and are tried again after the next fact.
func (b *Book) Settle() {
	if len(b.marked) == 0 {
		return
	}
	for _, n := range b.stuck {
		b.mark(n)
	}
	b.stuck = nil
	reach := b.reachable()
	ready := make([]*node, 0, len(reach))
	for _, n := range reach {
		if n.waits == 0 {
			ready = append(ready, n)
		}
	}
	passed := 0
	for ; len(ready) > 0; passed++ {
		n := ready[len(ready)-1]
		ready = ready[:len(ready)-1]
		b.pass(n)
		for _, f := range n.flows {
			if f.from != n || f.to == nil {
				continue
			}
			f.to.waits--
			if f.to.waits == 0 {
				ready = append(ready, f.to)
			}
		}
	}
	b.marked = b.marked[:0]
	if passed < len(reach) {
		b.leaveStuck(reach)
	}
}

// pass evaluates a node whose sources have all been passed, if it is marked.
func (b *Book) pass(n *node) {
	n.stuck = false
	if !n.marked {
		return
	}
	n.marked = false
	if n.run != nil {
		b.evaluateRun(n)
		return
	}
	b.evaluateLot(n)
}

// reachable is the marked nodes and all below them, with the flows each waits for.
func (b *Book) reachable() []*node {
	b.visits++
	var reach []*node
	for _, n := range b.marked {
		if n.visit != b.visits {
			n.visit, n.waits = b.visits, 0
			reach = append(reach, n)
		}
	}
	for i := 0; i < len(reach); i++ {
		n := reach[i]
		for _, f := range n.flows {
			if f.from != n || f.to == nil {
				continue
			}
			if f.to.visit != b.visits {
				f.to.visit, f.to.waits = b.visits, 0
				reach = append(reach, f.to)
			}
			f.to.waits++
		}
	}
	return reach
}

// leaveStuck sets aside what no order could reach, until a new fact may have broken the circle.
func (b *Book) leaveStuck(reach []*node) {
	for _, n := range reach {
		if n.waits > 0 {
			n.waits, n.stuck, n.marked = 0, true, false
			b.stuck = append(b.stuck, n)
		}
	}
}
