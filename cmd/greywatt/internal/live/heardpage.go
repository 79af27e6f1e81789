package live

import (
	"net/http"
	"strconv"

	"greywatt"
	"greywatt/plots/wording"
)

// Overheard knows the topics of the broker that neither the study nor a recipe takes.
type Overheard interface {
	// Topics returns how many hold what could be readings.
	Topics() int
	// Propose makes a recipe for them, for a study that it does not change.
	Propose(study *greywatt.Study) Proposal
}

// A Proposal is a recipe for topics that nobody takes.
type Proposal struct {
	Topics  int
	Recipe  string // tables of a study file; empty: there is nothing to propose for
	Doubts  int    // points that a person is to decide
	Preview []PreviewRow
	Refused []string // why messages that were heard would be rejected
	Unready []string // what the recipe still lacks
}

// A PreviewRow is what the recipe makes of one channel's messages.
type PreviewRow struct {
	Dwelling, Node          string
	Channel                 greywatt.Channel
	Unit                    string // of the values
	Readings                int
	Newest, Lowest, Highest float64
}

// foreign says how many topics no recipe takes; empty: none.
func (p *Page) foreign() string {
	if p.cfg.Overheard == nil {
		return ""
	}
	n := p.cfg.Overheard.Topics()
	if n == 0 {
		return ""
	}
	return count(n, "topic")
}

type previewPart struct{ Dwelling, Node, Channel, Readings, Newest, Range string }

// overheard shows what a recipe would make of topics that nobody takes.
func (p *Page) overheard(w http.ResponseWriter, r *http.Request) error {
	proposed, err := p.proposal()
	if err != nil {
		return err
	}
	data := struct {
		frame
		Topics, Doubts   string
		Preview          []previewPart
		Refused, Unready []string
		Recipe           string
	}{
		frame: p.frame(r, "Heard, not yet in the study"), Topics: count(proposed.Topics, "topic"), Recipe: proposed.Recipe,
		Refused: proposed.Refused, Unready: proposed.Unready,
	}
	if proposed.Doubts > 0 {
		data.Doubts = count(proposed.Doubts, "point")
	}
	for _, row := range proposed.Preview {
		decimals := 1
		if row.Channel.IsFlow() {
			decimals = 2
		}
		number := func(v float64) string { return wording.Fixed(v, decimals) }
		data.Preview = append(data.Preview, previewPart{
			row.Dwelling, row.Node, wording.Capital(wording.Plain(row.Channel.String())), strconv.Itoa(row.Readings),
			number(row.Newest) + " " + row.Unit, number(row.Lowest) + " to " + number(row.Highest),
		})
	}
	return render(w, http.StatusOK, "heard", &data)
}

// proposedRecipe gives the recipe as a file.
func (p *Page) proposedRecipe(w http.ResponseWriter, _ *http.Request) error {
	proposed, err := p.proposal()
	if err != nil {
		return err
	}
	attach(w, "application/toml; charset=utf-8", "recipe.toml")
	_, err = w.Write([]byte(proposed.Recipe))
	return err
}

func (p *Page) proposal() (Proposal, error) {
	if p.foreign() == "" {
		return Proposal{}, &problem{http.StatusNotFound, "Nothing else was heard", "All topics that came are the study’s own or a recipe’s."}
	}
	return p.cfg.Overheard.Propose(p.cfg.Study), nil
}
