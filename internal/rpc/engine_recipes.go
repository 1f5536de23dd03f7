package rpc

import (
	"context"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/deskwork"
	"ponderal.example/internal/mass"
)

func (engine) FindRecipes(ctx context.Context, req *pb.FindRecipesRequest) (*pb.FindRecipesResponse, error) {
	r := &reader{}
	q := r.recipeQuestion(req)
	if err := r.refused(ctx, req); err != nil {
		return nil, err
	}
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
