package demoseason

import "huskline/internal/weight"

// name looks for what is worth showing.
func (p *plant) name() {
	n := &p.out.Names
	ofLot := map[string]*stock{}
	children := map[*stock][]*stock{}
	for _, s := range p.lots {
		ofLot[s.id] = s
		for _, f := range s.from {
			children[f] = append(children[f], s)
		}
	}
	best := 0
	for _, s := range p.lots {
		if s.item[:2] == "CF" && s.soldByMail > best {
			best, n.Batch = s.soldByMail, s.id
		}
	}
	least := weight.Mass(0)
	for _, d := range p.out.deliveries {
		s := ofLot[d.lot]
		if d.class != walkIn || least > 0 && s.made >= least {
			continue
		}
		if mail, _ := reach(s, children); mail >= 3 {
			least, n.SmallLot = s.made, s.id
		}
	}
	best = 0
	for _, r := range p.out.receipts {
		mail, onHand := reach(ofLot[r.lot], children)
		if onHand != nil && mail > best {
			best, n.HoldLot, n.HeldLot = mail, r.lot, onHand.id
		}
	}
	n.Customer = p.one("B")
	n.Correction = p.misread(ofLot)
}

// reach follows a lot to what was made of it: how many lines went out by mail, and the largest finished lot still on hand.
func reach(root *stock, children map[*stock][]*stock) (mail int, onHand *stock) {
	seen := map[*stock]bool{root: true}
	todo := []*stock{root}
	for len(todo) > 0 {
		s := todo[0]
		todo = todo[1:]
		mail += s.soldByMail
		finished := s.item[:2] == "CF" || s.item[:2] == "BG" || s.item[:2] == "GF"
		if finished && s.left > 0 && (onHand == nil || s.left > onHand.left) {
			onHand = s
		}
		for _, c := range children[s] {
			if !seen[c] {
				seen[c] = true
				todo = append(todo, c)
			}
		}
	}
	return mail, onHand
}

// misread looks for a kernel output of a shelling run that would be lower with two neighbouring digits changed round, by no more than is
// left of it. Where there is none, the last pounds of some output are taken to be too many by nine, or by what is left.
func (p *plant) misread(ofLot map[string]*stock) Correction {
	var fallback Correction
	for _, o := range p.out.outputs {
		s := ofLot[o.lot]
		if o.role != "main" || o.item[0] != 'P' || s.owner != "" || s.left == 0 {
			continue
		}
		c := Correction{Run: o.run, Lot: o.lot, Recorded: o.weight, Reason: "two digits changed round on the pack sheet"}
		whole := o.weight / lb
		for ten := weight.Mass(1); ten*10 <= whole; ten *= 10 {
			low, high := whole/ten%10, whole/(ten*10)%10
			less := (high - low) * ten * 9 * lb
			if less > 0 && less < s.left && less < o.weight/5 {
				c.Corrected = o.weight - less
				return c
			}
		}
		if fallback.Run == "" {
			c.Corrected, c.Reason = o.weight-min(9*lb, s.left/2), "the last box was counted twice"
			fallback = c
		}
	}
	return fallback
}
