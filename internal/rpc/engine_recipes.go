package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/mass"
)

// A search of a kit with more inserts than largeKit may take a second and 160 MiB, of the largest kit; so only maxSearches go on at once, and
// the others wait as long as their deadline lets them.
const (
	largeKit    = 30
	maxSearches = 2
)

// place waits for a place to search a kit; the caller gives it back.
func (s engine) place(ctx context.Context, inserts int) (back func(), err error) {
	if inserts <= largeKit {
		return func() {}, nil
	}
	select {
	case s.searches <- struct{}{}:
		return func() { <-s.searches }, nil
	case <-ctx.Done():
		return nil, fault.Wrap(fault.Overloaded, "BUSY", "other searches of large kits go on; try again", ctx.Err())
	}
}

func (s engine) FindRecipes(ctx context.Context, req *pb.FindRecipesRequest) (*pb.FindRecipesResponse, error) {
	r := &reader{}
	q := r.recipeQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
	back, err := s.place(ctx, len(q.Kit.Inserts))
	if err != nil {
		return nil, err
	}
	defer back()
	got, err := deskwork.FindRecipes(q)
	if err != nil {
		return nil, err
	}
	w := &writer{}
	resp := &pb.FindRecipesResponse{
		Cut: got.Cut, Partial: got.Partial, NearestBelow: w.massOrNone(got.Below), NearestAbove: w.massOrNone(got.Above), Cautions: writeRemarks(got.Cautions),
	}
	for _, f := range got.Found {
		one := &pb.FindRecipesResponse_Recipe{Codes: f.Codes, Load: w.mass(f.Load), SharedCodes: w.number(f.Shared), Lighter: f.Off.Less(mass.Zero())}
		off := f.Off
		if one.GetLighter() {
			off = mass.Zero().Sub(off)
		}
		one.Difference = w.mass(off)
		resp.Recipes = append(resp.Recipes, one)
	}
	for _, l := range got.Lapses {
		resp.Lapsed = append(resp.Lapsed, &pb.FindRecipesResponse_LapsedPiece{Code: l.Code, VerifiedOn: l.VerifiedOn, AgeDays: int32(l.AgeDays)})
	}
	return answered(w, resp)
}

func (r *reader) recipeQuestion(m *pb.FindRecipesRequest) deskwork.RecipeQuestion {
	q := deskwork.RecipeQuestion{
		Kit: r.kit(m.GetKit(), "kit"), Target: r.massOrNone(m.GetTarget(), "target"), Used: m.GetUsed().GetCodes(), Most: int(m.GetMost()),
		Day: m.GetCalibration().GetOn(), MaxAgeDays: int(m.GetCalibration().GetMaxAgeDays()),
	}
	if t := r.massOrNone(m.GetTolerance(), "tolerance"); t != nil {
		q.Tolerance = *t
	}
	return q
}
